"""Detectors of screening, one idea a file. `vibekit.screening` is the way in."""
