"""The parabola through three evenly spaced points: where, between them, a peak has its top."""


def vertex(before: float, here: float, after: float) -> float:
    """How far from the middle point its top lies, in steps; 0 where it does not bend down.

    Of a window's main lobe the logarithms of power are to be given, which are nearly a parabola (M. Gasior and J.L. Gonzalez, AIP Conf.
    Proc. 732 (2004) 276-285: from memory).
    """
    bend = before - 2 * here + after
    return 0.5 * (before - after) / bend if bend < 0 else 0.0
