"""What can go wrong because of the person, the device or the disk.

SteadypullError            anything with a one-line message for the person
 ├─ InputError             exit 2: a file, a key, a column or a word that cannot be used
 └─ DeviceError            exit 3: the port or the disk failed; what was recorded is safe
     ├─ PortError          no such port, no device answers, the port went away for good
     └─ StorageError       the disk is full or the folder cannot be written
"""

from typing import Self


class SteadypullError(Exception):
    """A message for the person: one plain line that names the place and the cure, without a command's options.

    code      what went wrong, words joined by hyphens; '' where nobody needs to tell it from others
    values    what `ui/text/errors.py` needs to say it in the words of the command line
    place     what `at` put before the text, with its colon; '' where nothing was
    """

    exit_code = 2

    def __init__(self, text: str = "", code: str = "", **values: object) -> None:
        super().__init__(text)
        self.code = code
        self.values = values
        self.place = ""

    def at(self, place: object) -> Self:
        """The same error with the file, port or line it happened at before its text."""
        again = type(self)(f"{place}: {self}", self.code, **self.values)
        again.place = f"{place}: {self.place}"
        return again


def reason_of(error: BaseException) -> str:
    """What any library's error says, on one line; its kind where it says nothing."""
    return " ".join(str(error).split()) or type(error).__name__


def line_without(error: BaseException, place: object) -> str:
    """The error's line without the file at its head, for a list where the file stands beside it anyway."""
    return reason_of(error).removeprefix(f"{place}: ")


class InputError(SteadypullError):
    """Bad input or usage: names the file, and the line, column or key path, and the cure."""


class DeviceError(SteadypullError):
    """The device or the disk failed; what was recorded is safe."""

    exit_code = 3


class PortError(DeviceError):
    """A port that cannot be opened, never answers, or is gone."""


class StorageError(DeviceError):
    """A disk that is full or a folder that cannot be written."""
