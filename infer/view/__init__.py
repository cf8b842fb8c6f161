"""What everything that a person sees shares: wording, templates, rulers, console."""
