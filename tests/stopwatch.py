"""How long a call takes at best: other work on the machine only ever adds."""

import time


def best_of(function, rounds=7):
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)
