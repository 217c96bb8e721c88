"""How long a call takes at best, since other work on the machine only ever adds; and how many times as long as another."""

import time
from statistics import median


def best_of(function, rounds=7):
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)


def ratio_of(function, unit, rounds=9):
    """CPU time of one call over another's, medians of as many rounds in turn: what else runs disturbs both alike."""
    cost = [(_cpu(function), _cpu(unit)) for _ in range(rounds)]
    return median(a for a, _ in cost) / median(b for _, b in cost)


def _cpu(function):
    start = time.process_time()
    function()
    return time.process_time() - start
