"""Text files of numbers in columns, whatever program wrote them: encoding, delimiter, decimal sign, header, damage."""

import csv
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.capture.clock import STAMP
from vibekit.capture.columns import is_unit
from vibekit.errors import UnreadableError

Array = npt.NDArray[np.float64]

LOOK = 400  # lines looked at to find the layout
DELIMITERS = ("\t", ";", "|", ",", " ")  # in order of preference; " " stands for any run of blanks
COMMENT = ("#", "%", "//")
DAMAGED = 0.01  # share of rows that may be damaged
REJOINED = "\x1f"  # delimiter of rows that had quoted cells
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1e\x7f]")
_NUMBER = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?|[-+]?(nan|inf(inity)?)", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of a text file.

    names: one a column, "1", "2" ... where the file has no header; has_header: it has one
    lead: lines above the header; first: the cells of the first row
    lines: the rows as text; delimiter: see DELIMITERS
    log: what was found and left out
    """

    names: tuple[str, ...]
    has_header: bool
    lead: tuple[str, ...]
    first: tuple[str, ...]
    lines: Sequence[str]
    delimiter: str
    log: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Cells:
    """Columns read from a table.

    rows: (n,) which of the table's rows; numbers: (k, n) the number columns, NaN where a cell is empty
    words: the cells of the text columns, n each; log: what was left out
    """

    rows: npt.NDArray[np.intp]
    numbers: Array
    words: tuple[tuple[str, ...], ...]
    log: tuple[str, ...]


def read_table(content: bytes) -> Table:
    """Find the layout of a text file. Raises UnreadableError when it is not text or holds no rows of numbers."""
    text, encoding = _decode(content)
    lines = [line for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n") if line and not line.isspace()]
    quoted = '"' in text
    delimiter = max(DELIMITERS, key=lambda candidate: _fit(lines[:LOOK], candidate, quoted))
    rows = _split(lines[:LOOK], delimiter, quoted)
    data = [i for i, row in enumerate(rows) if _is_data(row) and not lines[i].startswith(COMMENT)]
    if not data:
        raise UnreadableError("it holds no rows of numbers")
    width = Counter(len(rows[i]) for i in data).most_common(1)[0][0]
    start = next(i for i in data if len(rows[i]) == width)
    names, lead = _header(lines[:start], delimiter, quoted, width)
    if not names and delimiter == "," and lead and 2 < 2 * len(named := rows[start - 1]) == width and not any(map(is_number, named)):
        raise UnreadableError(
            f"{len(named)} names stand over {width} numbers in a row: commas seem to stand in the numbers and between them as well; "
            "export it with decimal points, or with semicolons between the columns"
        )
    log = [f"text read as {encoding}"] if encoding != "utf-8" else []
    body = lines[start:]
    if any(mark in text for mark in COMMENT):
        body = [line for line in body if not line.startswith(COMMENT)]
    if quoted:
        body, delimiter = [REJOINED.join(row) for row in _split(body, delimiter, quoted)], REJOINED
    numbers = [cell for i in data for cell in rows[i] if is_number(cell)]
    if any("," in cell for cell in numbers) and not any("." in cell for cell in numbers):
        body = [line.replace(",", ".") for line in body]
        log.append("decimal commas")
    first = tuple(_split(body[:1], delimiter, quoted=False)[0])
    return Table(names or tuple(str(i + 1) for i in range(width)), bool(names), tuple(lead), first, body, delimiter, tuple(log))


def read_cells(table: Table, samples: Sequence[int], stamps: Sequence[int], words: Sequence[int] = ()) -> Cells:
    """Read columns, by index: samples and then stamps as numbers, words as text.

    A last line cut short is left out. So are rows without any sample (another sensor's turn) and, where stamps or words
    show when they were, damaged ones and those in which every sample is nan.

    Raises UnreadableError for a damaged row in a log without time stamps, or more than 1 % of them.
    """
    columns = (*samples, *stamps)
    delimiter = None if table.delimiter == " " else table.delimiter
    try:
        values = np.loadtxt(table.lines, delimiter=delimiter, usecols=columns, comments=None, ndmin=2).T
        if (stamps or words) and np.isnan(values[: len(samples)]).all(axis=0).any():
            return _read_singly(table, columns, words, len(samples), timed=True)
        text = tuple(tuple(line.split(delimiter, i + 1)[i].strip() for line in table.lines) for i in words)
        return Cells(np.arange(values.shape[1]), values, text, ())
    except (ValueError, IndexError):
        return _read_singly(table, columns, words, len(samples), timed=bool(stamps or words))


def _read_singly(table: Table, columns: Sequence[int], words: Sequence[int], samples: int, *, timed: bool) -> Cells:
    """The same, looking at each cell: for tables with damage or empty cells."""
    need = max((*columns, *words)) + 1
    split = _pick(_split(table.lines, table.delimiter, quoted=False, pad=need), (*columns, *words))
    cells, text = split[: len(columns)], split[len(columns) :]
    values = np.array([_numbers(column) for column in cells])
    blank = np.array([[not cell for cell in column] for column in cells])
    nan = np.array([[cell.lower().lstrip("+-") == "nan" for cell in column] for column in cells])
    empty = np.all(blank[:samples] | (nan[:samples] & timed), axis=0)
    whole = np.all(~np.isnan(values) | nan | (blank & (np.arange(len(columns)) < samples)[:, None]), axis=0)
    whole &= np.all([[bool(cell) for cell in column] for column in text], axis=0)
    whole &= [(len(line.split()) if table.delimiter == " " else line.count(table.delimiter) + 1) >= need for line in table.lines]
    whole[-1] &= empty[-1] or not blank[:samples, -1].any()
    keep = np.flatnonzero(whole & ~empty)
    log = _damage(table, whole, timed=timed)
    skipped = np.count_nonzero(whole & empty)
    if skipped:
        log.append(f"rows without a sample left out: {skipped}")
    if not keep.size:
        raise UnreadableError("it holds no whole rows of numbers")
    return Cells(keep, values[:, keep], tuple(tuple(column[i] for i in keep.tolist()) for column in text), tuple(log))


def _damage(table: Table, whole: npt.NDArray[np.bool_], *, timed: bool) -> list[str]:
    """Lines for the log on damaged rows; raises when they may not be left out."""
    damaged = np.flatnonzero(~whole)
    log = []
    if damaged.size and damaged[-1] == len(whole) - 1:
        log.append("the last line is cut short; left out")
        damaged = damaged[:-1]
    if not damaged.size:
        return log
    row = f"data row {damaged[0] + 1} ({table.lines[damaged[0]][:60].replace(REJOINED, ',')!r}) is damaged"
    if damaged.size > max(1, DAMAGED * len(whole)):
        raise UnreadableError(f"{damaged.size} of {len(whole)} rows are damaged; {row}")
    if not timed:
        raise UnreadableError(f"{row}; without time stamps it cannot be left out: mend it or cut the log there")
    return [*log, f"damaged rows left out: {damaged.size}; {row}"]


def is_number(cell: str) -> bool:
    """A cell that holds a number, with point or comma."""
    return bool(_NUMBER.fullmatch(cell))


def _pick(rows: Sequence[Sequence[str]], columns: Sequence[int]) -> tuple[tuple[str, ...], ...]:
    return tuple(tuple(row[i] for row in rows) for i in columns)


def _numbers(cells: Sequence[str]) -> Array:
    """Cells as numbers, NaN where they are none."""
    try:
        return np.array([cell or "nan" for cell in cells], dtype=np.float64)
    except ValueError:
        return np.array([float(cell.replace(",", ".")) if is_number(cell) else np.nan for cell in cells])


def _decode(content: bytes) -> tuple[str, str]:
    """Text and the encoding it was in. Raises UnreadableError for what is no text."""
    marks = {b"\xef\xbb\xbf": "utf-8", b"\xff\xfe\0\0": "utf-32-le", b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
    mark, encoding = next(((m, e) for m, e in marks.items() if content.startswith(m)), (b"", ""))
    body = content[len(mark) :]
    if not encoding and b"\0" in body[:200]:
        encoding = "utf-16-le" if body[1:200:2].count(0) > body[:200:2].count(0) else "utf-16-be"
    if encoding:
        text = body.decode(encoding, errors="replace")
    else:
        try:
            text, encoding = body.decode(), "utf-8"
        except UnicodeDecodeError:
            text, encoding = body.decode("latin-1"), "latin-1"
    odd = len(_CONTROL.findall(text[:20000])) + text[:20000].count("\ufffd")
    if odd > 0.02 * len(text[:20000]):
        raise UnreadableError("it is not text")
    return text, encoding


def _split(lines: Iterable[str], delimiter: str, quoted: bool, pad: int = 0) -> list[list[str]]:
    """Cells of each line without blanks around them, at least `pad` of them; empty ones at the end are dropped."""
    if delimiter == " ":
        rows = [line.split() for line in lines]
    elif quoted:
        try:
            rows = list(csv.reader(lines, delimiter=delimiter, skipinitialspace=True))
        except csv.Error as error:
            raise UnreadableError(f"its quotes do not match: {error}") from None
    else:
        rows = [line.split(delimiter) for line in lines]
    tidy = []
    for row in rows:
        cells = [cell.strip() for cell in row]
        while cells and not cells[-1]:
            cells.pop()
        tidy.append(cells + [""] * (pad - len(cells)))
    return tidy


def _is_data(cells: Sequence[str]) -> bool:
    """At least half of the cells that hold something are numbers or time stamps."""
    full = [cell for cell in cells if cell]
    return bool(full) and 2 * sum((is_number(cell) or bool(STAMP.match(cell))) for cell in full) >= len(full)


def _fit(lines: Sequence[str], delimiter: str, quoted: bool) -> tuple[bool, float]:
    """How well a delimiter parts lines into numbers: whether it parts them at all, and the share of cells that are numbers."""
    rows = [row for row in _split(lines, delimiter, quoted) if row]
    cells = [cell for row in rows for cell in row if cell]
    good = sum((is_number(cell) or bool(STAMP.match(cell))) for cell in cells)
    parted = sum(len(row) > 1 for row in rows if _is_data(row))
    return parted > 0, round(good / max(1, len(cells)), 2)


def _header(above: Sequence[str], delimiter: str, quoted: bool, width: int) -> tuple[tuple[str, ...], list[str]]:
    """Column names from the lines above the numbers (none when no line fits), and the lines above those."""
    above = [re.sub(r"^\s*(#|%|//)\s*", "", line) for line in above]
    units: Sequence[str] = ()
    while above:
        *lead, line = above
        names = _names(line, delimiter, quoted, width)
        if names and not units and all(map(is_unit, names)) and lead and _names(lead[-1], delimiter, quoted, width):
            units, above = names, lead
            continue
        if not names:
            return (), above
        told = [unit.strip("()[]-") for unit in units or [""] * width]
        return tuple((name or str(i + 1)) + (f" ({told[i]})" if told[i] else "") for i, name in enumerate(names)), lead
    return (), []


def _names(line: str, delimiter: str, quoted: bool, width: int) -> list[str]:
    """The cells of a header line for `width` columns, whatever it is parted by; empty when it is none."""
    for candidate in (delimiter, *DELIMITERS):
        cells = _split([line], candidate, quoted)[0]
        fits = len(cells) == width or (len(cells) > width and candidate == delimiter != " ")
        if fits and any(character.isalpha() for character in line):
            return cells[:width]
    wide = [cell for cell in re.split(r"\s{2,}|\t", line.strip()) if cell]
    return wide if len(wide) == width > 1 else []
