"""A phone's browser as a sensor: a page served over TLS in the local network, and what it sends."""
