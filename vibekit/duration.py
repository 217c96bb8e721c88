"""A length of time in words."""


def duration(seconds: float) -> str:
    """Write a length of time of 0 s or more, in ms below a second."""
    return f"{1000 * seconds:.3g} ms" if seconds < 0.9995 else f"{seconds:.1f} s"
