"""What each condition looks like, as data."""
