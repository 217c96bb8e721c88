"""The page of the report (Jinja2) and its style sheet."""
