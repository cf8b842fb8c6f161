"""What sheets, review, survey and console share: wording, templates, rulers, messages."""
