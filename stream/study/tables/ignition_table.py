"""The advance table around the proposals: cells to ask about, what pulls were really driven with, and writing it back.

A table does not say which pulls were driven on it. Where the advance was logged, the log says; where it was not, the
step that was proposed from a session is kept beside it (SESSION.h5.advised) and beside the table, with the advance that
its pulls had then.
Another table given for the same pulls is a step that nobody has driven yet.
"""

import hashlib
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import msgspec
import numpy as np

from stream.errors import InputError, reason_of
from stream.findings import Finding, note, warning
from stream.study.dataset import Dataset
from stream.study.tables.gate import AdvanceCell, Advice, Proposal, least_of
from stream.study.tables.user_table import AdvanceList, UserTable
from stream.typed import read_bounded
from stream.units import Floats

ODD_DEG = 5.0  # chosen: neighbouring cells of a table that runs well differ less from the line between their neighbours
ENDING = ".advised"


@dataclass(frozen=True, slots=True)
class OddCell:
    """A cell far off the line of its neighbours; tune '' in a grid, second None in a list.

    low, high   rpm over which the cell has a say
    """

    tune: str
    rpm: float
    second: float | None
    value: float
    low: float
    high: float

    def finding(self) -> Finding:
        """The question to the person."""
        return warning("advance-cell-odd", tune=self.tune, rpm=self.rpm, second=self.second, value_deg=self.value)


def odd_cells(advance: AdvanceList | UserTable, confirmed: Sequence[float] = ()) -> list[OddCell]:
    """Cells far off their neighbours that nobody confirmed. `confirmed`: rpm of cells that are as they are meant."""
    if isinstance(advance, UserTable):
        far = advance.far_from_neighbours(ODD_DEG, 0.0)
        found = [
            OddCell(
                "",
                float(advance.rpm[row]),
                float(advance.second[column]),
                float(advance.cells[row, column]),
                *_reach(advance.rpm, int(row)),
            )
            for row, column in np.argwhere(far)
        ]
    else:
        found = [
            OddCell(tune, float(rpm[row]), None, float(degrees[row]), *_reach(rpm, row))
            for tune, (rpm, degrees) in advance.tunes.items()
            for row in _odd_points(rpm, degrees)
        ]
    return [one for one in found if not any(abs(one.rpm - rpm) < 1 for rpm in confirmed)]


def _odd_points(rpm: Floats, degrees: Floats) -> list[int]:
    """Points off every straight line through two neighbours, the worst first, each judged without those before it."""
    left, odd = list(range(len(rpm))), []
    while len(left) >= 3:
        off = []
        for place, row in enumerate(left):
            near = []
            for one, other in ((place - 1, place + 1), (place - 2, place - 1), (place + 1, place + 2)):
                if one < 0 or other >= len(left):
                    continue
                a, b = left[one], left[other]
                line = degrees[a] + (degrees[b] - degrees[a]) * (rpm[row] - rpm[a]) / (rpm[b] - rpm[a])
                near.append(abs(float(degrees[row] - line)))
            # a point in the middle lies between its neighbours or not; one at an end also lies near the next, or not
            off.append(
                near[0]
                if 0 < place < len(left) - 1
                else min(
                    [*near, abs(float(degrees[row] - degrees[left[place + 1] if place == 0 else left[place - 1]]))]
                )
            )
        worst = int(np.argmax(off))
        if off[worst] <= ODD_DEG:
            break
        odd.append(left.pop(worst))
    return odd


def _reach(axis: Floats, row: int) -> tuple[float, float]:
    """From the neighbour below to the one above; beyond an end of the axis, all the way."""
    low = float(axis[row - 1]) if row > 0 else -math.inf
    high = float(axis[row + 1]) if row + 1 < len(axis) else math.inf
    return low, high


class Step(msgspec.Struct, frozen=True, kw_only=True):
    """A step of more advance that was proposed from a session: what its pulls had then, and what was proposed."""

    tune: str
    rpm: float
    second_axis: float | None
    from_deg: float
    to_deg: float


class _Kept(msgspec.Struct, frozen=True, kw_only=True):
    """The file beside a session. `drive` tells whose it is."""

    drive: str
    steps: tuple[Step, ...]


def kept_steps(session: Dataset, *tables: Path) -> tuple[Step, ...]:
    """The steps that were proposed from this session before, under whatever name of it in its folder, and in those of
    the tables: sessions are copied elsewhere while the table stays. None where nothing is kept.

    Raises InputError where a file that is kept cannot be read.
    """
    folders = dict.fromkeys(one.parent.resolve() for one in (session.path, *tables))
    kept = [_read(path) for folder in folders for path in sorted(folder.glob(f"*{ENDING}")) if path.is_file()]
    mark = _mark(session) if kept else ""
    return tuple(step for one in kept if one.drive == mark for step in one.steps)


def _read(path: Path) -> _Kept:
    try:
        return msgspec.json.decode(read_bounded(path, "file of steps"), type=_Kept)
    except (OSError, InputError, msgspec.DecodeError) as error:
        raise InputError(
            f"{path}: the steps proposed from this session cannot be read ({reason_of(error)}); delete it "
            "only if no table was changed since these pulls",
            "advised-unreadable",
        ) from None


def keep_steps(sessions: Sequence[Dataset], now: str, advice: Advice, *tables: Path) -> list[Finding]:
    """Keep the steps of more advance beside the sessions of the tune in the car, and in the folders of the tables they
    go from and to; what was kept before stays.

    Returns a warning for each folder that cannot be written.
    """
    steps = [
        Step(tune=now, rpm=cell.rpm, second_axis=cell.second_axis, from_deg=cell.now, to_deg=cell.proposed)
        for cell in advice.cells
        if cell.now is not None and cell.proposed is not None and cell.proposed > cell.now
    ]
    found: list[Finding] = []
    if not steps:
        return found
    for session in sessions:
        if now not in {pull.tune or session.tune for pull in session.pulls} | {session.tune}:
            continue
        before = kept_steps(session, *tables)
        there = {(step.tune, round(step.rpm), step.second_axis) for step in before}
        new = [step for step in steps if (step.tune, round(step.rpm), step.second_axis) not in there]
        kept = _Kept(drive=_mark(session), steps=(*before, *new))
        places = {session.path.parent.resolve(): _beside(session.path)}
        for table in tables:  # named by the recording too: sessions of two folders may have one name
            folder = table.parent.resolve()
            places.setdefault(folder, folder / f"{session.path.stem}-{kept.drive[:8]}{ENDING}")
        for path in places.values():
            draft = path.with_name(path.name + ".part")
            try:
                draft.write_bytes(msgspec.json.encode(kept))
                draft.replace(path)
            except OSError as error:
                found.append(warning("advised-not-kept", where=path.name, reason=error.strerror or "unknown"))
    return found


def _beside(path: Path) -> Path:
    return path.with_name(path.name + ENDING)


def _mark(session: Dataset) -> str:
    """What tells one recording from another, whatever its file is called: a digest of all its samples."""
    digest = hashlib.sha256(f"{session.rate_hz:.9g} {session.names}".encode())
    for _, samples in session.session.slabs():
        digest.update(samples.tobytes())
    return digest.hexdigest()


def driven_before(steps: Iterable[Step], now: str, rpm: float, second: float | None, width: float) -> float:
    """The advance that these pulls had when a step was proposed from them; NaN: none was, here."""
    near = [
        step.from_deg
        for step in steps
        if step.tune == now and abs(step.rpm - rpm) <= width / 2 and step.second_axis == second
    ]
    return min(near, default=math.nan)


@dataclass(frozen=True, slots=True)
class WrittenCell:
    """One cell of a written table: what it held and holds, and what that rests on. second None: a list of tunes.

    bands   the bands and stretches that have a say in it; empty where nothing reached it
    """

    rpm: float
    second: float | None
    now: float
    written: float
    reasons: tuple[Finding, ...]
    bands: tuple[AdvanceCell, ...] = ()

    @property
    def n(self) -> int:
        """Pulls or stretches behind it: the fewest of any band that has a say."""
        return min((band.n for band in self.bands), default=0)

    @property
    def best(self) -> tuple[float, float] | None:
        """(best advance, half of its 95 % interval) of the band that is known worst; None where one is not bounded."""
        known = [
            (band.estimate, (band.high - band.low) / 2)
            for band in self.bands
            if band.estimate is not None and band.low is not None and band.high is not None
        ]
        return max(known, key=lambda one: one[1]) if known and len(known) == len(self.bands) else None


def table_with(
    advice: Advice, advance: AdvanceList | UserTable, now: str, width: float
) -> tuple[str, list[WrittenCell]]:
    """(the table of the tune in the car with the proposals in it, in the shape that came, the rest byte for byte; its
    cells).

    A cell has a say in all speeds up to its neighbours: it takes the least change of all bands in there, so that no
    band gets more than was proposed for it; where one of them is not known, it gets no more advance.
    """
    cells = advice.cells
    bands = [cell for cell in cells if cell.second_axis is None]
    full = {cell.rpm: cell.proposal for cell in bands}
    if isinstance(advance, AdvanceList):
        if now not in advance.tunes:
            raise InputError(
                f"{advance.path}: has no rows of tune {now!r} to write the proposals into; add them", "no-rows-of-tune"
            )
        rpm, degrees = advance.tunes[now]
        change = [_over(full, *_reach(rpm, row), width, float(degrees[row])) for row in range(len(rpm))]
        new = np.array([np.nan if one.deg is None else one.deg for one in change])
        text, written = advance.rewritten(now, new, new)
        rows = zip(rpm.tolist(), degrees.tolist(), written.tolist(), change, strict=True)
        return text, [
            WrittenCell(at, None, old, new, one.reasons, _with_a_say(bands, *_reach(rpm, row), width))
            for row, (at, old, new, one) in enumerate(rows)
        ]
    part = {(cell.rpm, cell.second_axis): cell.proposal for cell in cells if cell.second_axis is not None}
    new = np.full(advance.cells.shape, np.nan)
    why: list[tuple[tuple[Finding, ...], tuple[AdvanceCell, ...]]] = []
    for row, column in np.ndindex(*new.shape):
        at, second, value = float(advance.rpm[row]), float(advance.second[column]), float(advance.cells[row, column])
        own = part.get((at, second))
        low, high = _reach(advance.second, column)
        ran = [cell.reached or (math.inf, math.inf) for cell in bands]
        # a pull whose second axis was not logged ran at the end of it
        touched = any(low < max(b, advance.second[0]) and min(a, advance.second[-1]) < high for a, b in ran)
        one = _over(full, *_reach(advance.rpm, row), width, value) if touched else None
        if own is not None:
            one = least_of([own, *([] if one is None else [one])], value)
        if one is not None and one.deg is not None:
            new[row, column] = one.deg
        say = _with_a_say(bands, *_reach(advance.rpm, row), width) if touched else ()
        say += tuple(cell for cell in cells if cell.second_axis == second and cell.rpm == at)
        why.append(((note("cell-not-reached"),) if one is None else one.reasons, say))
    text, written = advance.rewritten(new, highest=new)
    return text, [
        WrittenCell(
            float(advance.rpm[row]),
            float(advance.second[column]),
            float(advance.cells[row, column]),
            float(written[row, column]),
            *rest,
        )
        for (row, column), rest in zip(np.ndindex(*new.shape), why, strict=True)
    ]


def _with_a_say(bands: Sequence[AdvanceCell], low: float, high: float, width: float) -> tuple[AdvanceCell, ...]:
    """The full-load bands that lie in a cell's reach."""
    return tuple(band for band in bands if band.rpm + width / 2 > low and band.rpm - width / 2 < high)


def _over(full: dict[float, Proposal], low: float, high: float, width: float, value: float) -> Proposal:
    """The change that all bands from low to high permit of a cell that holds `value`."""
    middles = sorted(full)
    inside = [rpm for rpm in middles if rpm + width / 2 > low and rpm - width / 2 < high]
    own = [full[rpm] for rpm in inside]
    covered = bool(inside) and inside[0] - width / 2 <= low + 1 and inside[-1] + width / 2 >= high - 1
    covered &= all(b - a <= width + 1 for a, b in pairwise(inside))
    if not covered:  # a stretch that nothing is known of permits nothing more
        own.append(least_of([], math.nan))
    return least_of(own, value)
