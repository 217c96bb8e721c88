"""The page of the phone: files that are served as they are."""
