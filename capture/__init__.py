"""Hardware and files in, a Recording out."""
