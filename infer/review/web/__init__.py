"""The local review page: application, security, pages, actions."""
