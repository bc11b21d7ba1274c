"""The job in words: its steps from plan to report, what each of them lacks, and what the start page offers."""

from collections.abc import Sequence
from typing import Final, Literal

from ui.text.figures import many, one_line

STEPS: Final = {  # key: (name, what it is)
    "plan": ("Plan", "The measuring chain on paper, and the car file."),
    "hold": ("Hold", "A row of steady speeds, held by foot or parked, recorded."),
    "fit": ("Fit", "Held speeds to a speed calibration with its uncertainty."),
    "apply": ("Apply", "The calibration attached to the sessions with pulls."),
    "zero": ("Zero", "What the link shows without load, in every session with pulls."),
    "pull": ("Pull", "Full-throttle runs on two tunes, turn and turn about."),
    "compare": (
        "Compare",
        "Tune against tune, with intervals; force and power beside it. A coastdown's road load: on the start page.",
    ),
    "tables": ("Tables", "Ignition and mixture: the next cautious step, cell by cell."),
    "report": ("Report", "The sessions on paper."),
}
STATES: Final = {"done": "done", "next": "next", "open": "open", "missing": "not yet"}
FIRST_LOOK = 6  # pulls, before which no verdict falls: `stream.study.compare.looks`

NEXT: Final = {  # the one button
    "plan": "Next: make the car file",
    "hold": "Next: record held speeds",
    "fit": "Next: fit the held speeds",
    "pull": "Next: record pulls",
    "apply": "Next: apply the calibration",
    "zero": "Next: take the zeros",
    "compare": "Next: compare the tunes",
    "tables": "Next: write the tables",
    "report": "Next: print the report",
}
ALL_DONE = "Everything is done"

NO_CAR = "no car file yet"
NO_HOLDS = "no session with three held speeds yet"
NO_FIT = "needs a fit first"
NO_PULLS = "no pulls recorded yet"
NO_COMPARISON = "needs two tunes with pulls"
NOT_COMPARED = "these sessions were not compared yet"


def lacking(count: int, of: int, what: str) -> str:
    """'2 of 4 sessions with pulls lack the calibration'."""
    return f"{count} of {many(of, 'session')} with pulls lack{'s' if count == 1 else ''} {what}"


def pulls_so_far(pulls: dict[str, int]) -> str:
    """'heron 3, plover 0 clean pulls: 6 are the first look'."""
    told = ", ".join(f"{one_line(tune, 24) or 'no name'} {number}" for tune, number in pulls.items())
    if len(pulls) < 2:
        return f"clean pulls: {told}; a second tune is missing"
    return f"clean pulls: {told}; the first look is at {FIRST_LOOK}"


def tables_so_far(written: Sequence[str]) -> str:
    """Which of the two tables was written."""
    left = [name for name in ("ignition", "mixture") if name not in written]
    done = f"{' and '.join(written)} written" if written else ""
    return "; ".join(part for part in (done, f"{' and '.join(left)} not written" if left else "") if part)


# -- the start page ---------------------------------------------------------------------------------------------------

TAGLINE = "Record a drive, calibrate it, compare two tunes, write the next careful table."
PLACES: Final = {  # key: (name, what it does)
    "drive": ("Drive", "Record a drive from the device"),
    "rehearse": ("Rehearse", "The job with no hardware: an invented car drives"),
    "open": ("Open a recording", "A session, to calibrate or compare"),
    "replay": ("Replay", "Watch a recording on Road again"),
    "import": ("Import a log", "A controller's or logger's file becomes a session"),
    "recover": ("Recover", "A recording that was cut off"),
    "car": ("Car file", "Mass, gearing, channels: make or change it"),
    "plan": ("Plan the chain", "Frequencies, converter parts, resolution"),
    "survey": ("Survey", "What a drive tells of the measuring chain"),
    "coastdown": ("Coastdown", "Road load from rolling in neutral: A, B, C"),
    "marks": ("Marks", "Holds and pulls on the trace: leave out, keep, knock heard, note"),
    "steps": ("Changes", "What was done to the sessions: undo and redo"),
    "air": ("Air", "Correction factors to standard air"),
    "words": ("Words", "What a term or a warning means"),
}
GO_ON = "Go on: {what}"
NO_PORT = "no device found"
NO_FOLDER = "Each day has a folder of its own. Rehearse makes one; or choose the folder of an earlier day."
SETUP = (
    "Once, in a terminal: 'steadypull setup' gives leave to open serial ports and puts Steadypull among the programs."
)

REHEARSALS: Final[dict[Literal["day", "holds", "pulls"], str]] = {
    "day": "The whole day by itself, from holds to report",
    "holds": "A row of held speeds",
    "pulls": "Pulls on one tune",
}
REHEARSED = (
    "The car is invented: a rear-drive hill-climb special on a disused airfield, with a real serial line to this "
    "window. Two tables of its tuner are put into the folder: rehearsal-advance.csv and rehearsal-lambda.csv."
)
CLOSING = "A recording goes on. It is finished and kept when you stop; nothing is lost."

ZEROS_THERE = "Each session has its zeros. Another stretch is taken on its trace."
ZERO_ASKS = "In neutral, brakes off, on the level: so it was in each of these stretches"
ZERO_WHY = (
    "The stretch is the longest quiet one at idle or below, before the first pull. Without your word the zero is "
    "taken with a wider uncertainty."
)
APPLY_WHY = "What was recorded stays as it is; speeds are reported by the new calibration from now on."
REPORT_WHY = "One file, readable and printable anywhere. Proposals are in it where their tables were chosen."
