"""The map in the car against the command's map of the same drive: one code, so one answer."""

from pathlib import Path

import pytest

from stream.block import Block
from stream.drive.live_day import LiveDay
from stream.live.records import LiveRows
from stream.study.dataset import open_dataset
from stream.study.tables.reached import cells_reached, last_place
from stream.study.tables.user_table import read_table
from tests.ui.cli.test_cells import KPA, RPM, drive, table


@pytest.mark.parametrize("with_map", [True, False])
def test_what_a_drive_shows_live_is_what_its_session_says(tmp_path: Path, with_map: bool) -> None:
    """Samples, live rows and pulls handed over in uneven pieces: the cells of the finished session, to its own rows."""
    wanted = read_table(table(tmp_path))
    with open_dataset(drive(tmp_path, with_map=with_map)) as session:
        day = LiveDay(session.car, session.session.info)
        raw, live = session.session.h5["raw/samples"][:], session.session.live()
        for first in range(0, len(raw), 37):
            day.take_raw(Block(raw[first : first + 37], first, session.rate_hz))
        for first in range(0, len(live), 61):
            part = slice(first, first + 61)
            day.take_live(LiveRows(live.time_s[part], live.speed_rpm[part], live.load[part], live.signal[part]))
        for pull in session.pulls:
            day.take_pull(pull)
        now, after = cells_reached([day], wanted), cells_reached([session], wanted)

    assert sum(cell.seconds for cell in after.cells) > (20 if with_map else 10)
    for one, other in zip(now.cells, after.cells, strict=True):
        assert one.seconds == pytest.approx(other.seconds, abs=0.21)  # a row of 0.1 s at each end of a visit
        assert one.pulls == other.pulls
        assert abs(one.visits - other.visits) <= 1
    assert now.next == after.next
    codes = [{finding.code for finding in found.findings} for found in (now, after)]
    assert codes[0] == codes[1]
    # the drive ends at 2000 rpm and 50 kPa
    place = (RPM.index(2000), KPA.index(50)) if with_map else None
    assert last_place(day, wanted) == place


def test_a_pull_whose_verdict_changes_counts_by_the_last(tmp_path: Path) -> None:
    """What was clean at first and flawed in the end has no pull in any cell."""
    import msgspec

    wanted = read_table(table(tmp_path))
    with open_dataset(drive(tmp_path)) as session:
        day = LiveDay(session.car, session.session.info)
        day.take_raw(Block(session.session.h5["raw/samples"][:], 0, session.rate_hz))
        day.take_live(session.session.live())
        for pull in session.pulls:
            day.take_pull(pull)
        assert max(cell.pulls for cell in cells_reached([day], wanted).cells) == 2
        day.take_pull(msgspec.structs.replace(session.pulls[0], verdict="flawed", faults=("lift",)))
        assert max(cell.pulls for cell in cells_reached([day], wanted).cells) == 1
