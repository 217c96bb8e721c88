"""Repeated blocks: the same samples twice, as when a buffer is handed over again or a short piece is looped."""

import numpy as np
import numpy.typing as npt

from vibekit.screen.overview import Floats, Overview
from vibekit.screen.steady import Span

WINDOW = 8  # samples hashed together
SPARSE = 6  # bits: one place in 64 is compared
LEAST = 64  # equal samples in a row that make a repeated block
NOISY = 3.0  # quantisation steps, third differences: rounding alone makes 1.3, and what is as smooth as that is alike by chance
LOOPED = 0.2  # share of places seen again above which all of it repeats


def find_repeats(overview: Overview) -> tuple[list[Span], bool]:
    """Second copies of repeated blocks, (start, stop); and whether the whole record repeats itself."""
    x = overview.x
    if x.size < 4 * LEAST:
        return [], False
    places, keys = _anchors(x)
    if np.diff(np.sort(keys)).all():  # none twice; much faster than in order
        return [], False
    order = np.argsort(keys, kind="stable")
    keys, places = keys[order], places[order]
    twin = np.flatnonzero(keys[1:] == keys[:-1])
    spans: list[Span] = []
    seen = 0
    for first, second in sorted((int(places[k]), int(places[k + 1])) for k in twin):
        if spans and second < spans[-1][1]:
            seen += 1
            continue
        if not np.array_equal(x[first : first + WINDOW], x[second : second + WINDOW]):
            continue
        start, stop = _extend(x, first, second)
        if stop - start >= LEAST and float(np.diff(x[start:stop], 3).std()) > NOISY * overview.step:
            spans.append((start, stop))
            seen += 1
        if len(spans) >= 100:
            break
    return spans, seen > LOOPED * max(places.size, 1)


def _anchors(x: Floats) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint64]]:
    """Places picked by their content, so that equal blocks pick the same places, and a 64-bit key of WINDOW samples there."""
    bits = x.view(np.uint32) if x.dtype == np.float32 else x.astype(np.float32).view(np.uint32)
    chosen = []
    for at in range(0, bits.size - WINDOW, 1 << 16):
        piece = bits[at : at + (1 << 16) + WINDOW]
        m = min(piece.size - WINDOW, 1 << 16)
        mixed = piece[:m] * np.uint32(2654435761) + piece[1 : m + 1] * np.uint32(2246822519) + piece[2 : m + 2] * np.uint32(3266489917)
        picked = np.flatnonzero(mixed < 1 << (32 - SPARSE))
        alive = piece[picked] != piece[picked + WINDOW - 1]  # silence is alike everywhere
        chosen.append(at + picked[alive])
    places = np.concatenate(chosen)
    keys = np.zeros(places.size, np.uint64)
    for k in range(WINDOW):
        keys = (keys ^ bits[places + k].astype(np.uint64)) * np.uint64(0x9E3779B97F4A7C15)
        keys ^= keys >> np.uint64(29)
    return places, keys


def _extend(x: Floats, first: int, second: int) -> Span:
    """Second copy of the longest equal stretch around two equal places."""
    reach = min(first, second - first)
    back = np.flatnonzero(x[first - reach : first][::-1] != x[second - reach : second][::-1])
    start = second - (int(back[0]) if back.size else reach)
    reach = min(x.size - second, max(second - first, WINDOW))
    ahead = np.flatnonzero(x[first : first + reach] != x[second : second + reach])
    return start, second + (int(ahead[0]) if ahead.size else reach)
