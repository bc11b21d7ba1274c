"""What a decoder of the wire hands out, and the totals it keeps."""

from dataclasses import asdict, dataclass

from stream.block import Block, StreamInfo
from stream.findings import Finding

MAX_HELD = 64 * 1024  # bytes of an unfinished frame or line that are kept between two calls
MAX_LOST = 1 << 40  # samples: a jump beyond this is a counter that was set anew, not a gap (34 years at 1 kHz)


@dataclass(frozen=True, slots=True)
class WireNote:
    """Something to tell: `kind` is one of stream.events.KINDS, `index` our own count of samples then, `what` a finding,
    or the device's own words."""

    kind: str
    index: int
    what: Finding | str


#: A description of the stream, samples, or something to tell; in the order in which they came.
Item = StreamInfo | Block | WireNote


@dataclass(slots=True)
class Counts:
    """Running totals of one decoder. Frames and lines are those used, bad ones are dropped.

    early_frames  samples that came before a description, so that nobody could know what they are
    misfit_frames samples in a layout that does not fit the description with which the stream began
    cells_not_finite  NaN and infinity, in what was used; each is NaN in the Block
    """

    bytes: int = 0
    frames: int = 0
    bad_frames: int = 0
    lines: int = 0
    bad_lines: int = 0
    repeated: int = 0
    lost_samples: int = 0
    restarts: int = 0
    notes: int = 0
    early_frames: int = 0
    misfit_frames: int = 0
    cells_not_finite: int = 0

    def as_dict(self) -> dict[str, int]:
        """The totals by name."""
        return asdict(self)

    @property
    def dropped(self) -> int:
        """Frames and lines that were not used because something is wrong with them."""
        return self.bad_frames + self.bad_lines + self.misfit_frames


def clean_text(text: str, longest: int) -> str:
    """`text` without control characters and line breaks, blanks single, cut to `longest` characters."""
    printable = "".join(character if character.isprintable() else " " for character in text[: 4 * longest])
    return " ".join(printable.split())[:longest].rstrip()


def clean_names(names: list[str]) -> list[str]:
    """The names made printable, not empty, and unique: a second 'link' becomes 'link 2'."""
    used: set[str] = set()
    result: list[str] = []
    for number, raw in enumerate(names, start=1):
        wanted = clean_text(raw, 80) or f"channel {number}"
        name, copy = wanted, 1
        while name in used:
            copy += 1
            name = f"{wanted} {copy}"
        used.add(name)
        result.append(name)
    return result
