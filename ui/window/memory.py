"""What the window remembers from day to day: folder, car, port, theme, sizes, and how far the job in a folder is."""

import os
import tempfile
import tomllib
from contextlib import suppress
from pathlib import Path
from typing import Any

import msgspec

MOST_FOLDERS = 40


def default_path() -> Path:
    """The platform's usual place for a person's settings."""
    import platformdirs

    return Path(platformdirs.user_config_dir("steadypull", appauthor=False)) / "window.toml"


class FolderJob(msgspec.Struct, omit_defaults=True):
    """How far the job in one folder is, beyond what its sessions tell.

    compared    the sessions that were compared last
    tables      tables that were written: 'ignition' or 'mixture' to the file
    report      the report that was written last
    advance, now, none_heard, target, fuel   what the proposals were asked with, for the report
    cells       the table whose cells the road's map shows
    rehearsal   the sessions come from the rehearsal car; its pace
    """

    compared: list[str] = []
    tables: dict[str, str] = {}
    report: str = ""
    advance: str = ""
    now: str = ""
    none_heard: bool = False
    target: str = ""
    fuel: str = ""
    cells: str = ""
    rehearsal: str = ""


class Kept(msgspec.Struct, omit_defaults=True):
    """The file. `folders` has a job a folder, the one used last at the end."""

    theme: str = "dark"
    size: tuple[int, int] = (1280, 800)
    maximised: bool = False
    less_motion: bool = False
    folder: str = ""
    car: str = ""
    port: str = ""
    gear: int = 0
    tune: str = ""
    targets: str = ""
    read: bool = False
    folders: dict[str, FolderJob] = {}


class Memory:
    """The settings, written a moment after a change by whoever calls `save`. `path` None: kept in memory alone."""

    def __init__(self, path: Path | None = None) -> None:
        self.path = path
        self.kept = _read(path) if path is not None else Kept()
        self._written = msgspec.to_builtins(self.kept)

    @property
    def folder(self) -> Path | None:
        """The folder of the job at hand; None where there is none, or no longer."""
        folder = Path(self.kept.folder) if self.kept.folder else None
        return folder if folder is not None and folder.is_dir() else None

    @property
    def car(self) -> Path | None:
        """The car file used last, where it is still there."""
        car = Path(self.kept.car) if self.kept.car else None
        return car if car is not None and car.is_file() else None

    @property
    def job(self) -> FolderJob:
        """How far the job in the folder at hand is."""
        return self.kept.folders.get(self.kept.folder, FolderJob())

    def set_folder(self, folder: Path) -> None:
        """From now on the job is in this folder."""
        self.kept.folder = str(folder.resolve())
        job = self.kept.folders.pop(self.kept.folder, FolderJob())
        self.kept.folders[self.kept.folder] = job
        while len(self.kept.folders) > MOST_FOLDERS:
            del self.kept.folders[next(iter(self.kept.folders))]

    def change_job(self, **changes: Any) -> None:
        """Note how far the job in the folder at hand is."""
        if self.kept.folder:
            self.kept.folders[self.kept.folder] = msgspec.structs.replace(self.job, **changes)

    def save(self) -> None:
        """Write the file where something changed. Settings are no reason to stop: what cannot be written is left."""
        now = msgspec.to_builtins(self.kept)
        if self.path is None or now == self._written:
            return
        import tomlkit

        self._written = now
        with suppress(OSError):
            self.path.parent.mkdir(parents=True, exist_ok=True)
            handle, draft = tempfile.mkstemp(dir=self.path.parent, suffix=".part")
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(tomlkit.dumps(now))
            Path(draft).replace(self.path)


def _read(path: Path) -> Kept:
    """What was kept; the defaults where there is nothing, or nothing that can be read."""
    try:
        return msgspec.convert(tomllib.loads(path.read_text(encoding="utf-8")), Kept)
    except (OSError, ValueError, msgspec.ValidationError):
        return Kept()
