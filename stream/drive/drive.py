"""Drive: what the command line and the window hold on to while a stream runs."""

import shutil
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

import msgspec
import numpy as np

from stream.block import Block, StreamInfo
from stream.car import Car
from stream.drive.beside import Beside
from stream.drive.day_coach import DayCoach
from stream.drive.guide import Guide
from stream.drive.guide_plan import GuidePlan
from stream.drive.pulse_ear import PulseEar
from stream.drive.recorder import LiveLog, LiveLogCursor, Recorder, Take
from stream.drive.status import DriveStatus
from stream.drive.zero_key import ZeroKey, refused, zero_taken
from stream.errors import InputError, StorageError
from stream.events import EventFile, EventList
from stream.findings import Finding, plain, warning
from stream.live.limits import all_blind
from stream.live.records import LiveRows, join_rows
from stream.live.stage import LiveStage
from stream.reader import Reader
from stream.record.names import new_session_path
from stream.record.tables import Command, Heard, Weather, Zero
from stream.record.writer import SessionWriter
from stream.ring import Cursor, Ring
from stream.sources.source import Source, SourceNote
from stream.study.running import RunningSession

RING_S = 120.0  # how long a disk may hang before a sample is lost
READ_ROWS = 65536
REACTION_S = 2.0  # chosen: from the knock to the key; a person who hears and presses needs one at least
GUIDED_READ_S = 1.0
BESIDE_ENDS_S = 2.0  # a further device that hangs holds nobody up for longer
PUBLISH_S = 0.03  # as often as a screen is drawn
DISK_EVERY_S = 1.0
STEP_S = 0.04  # rows that are taken together: the stage's cost is one of calls, not of rows


class Drive:
    """Source → ring → live stage → recorder and window, until the source is finished or stop() is called.

    folder     where session files go; None records nothing
    path       the session file itself, in place of a new one in the folder
    record     whether recording begins with the first sample
    targets    speeds to hold, rpm, in order; or the whole of what a guided drive asks for
    event_file   where each event goes as it happens; closed at the end
    say        makes the text of what is told as a finding
    weather    the air of the day, kept in every session file
    coach      is told what happens, and says what to do next; None where nobody is to be coached
    beside     further devices: a name for each, what makes its source, its car file
    wait_for_slowest   hold the sender up rather than lose a sample: for one that does wait, as a rehearsal does
    """

    def __init__(
        self,
        source: Source,
        car: Car,
        *,
        folder: Path | None = None,
        path: Path | None = None,
        tune: str = "",
        gear: int | None = None,
        record: bool = True,
        targets: tuple[float, ...] | GuidePlan = (),
        wait_for_slowest: bool = False,
        event_file: EventFile | None = None,
        weather: Weather | None = None,
        coach: DayCoach | None = None,
        say: Callable[[Finding], str] = plain,
        beside: Sequence[tuple[str, Callable[[], Source], Car]] = (),
    ) -> None:
        import scipy.signal  # noqa: F401 - now, and not when the first samples are waiting to be filtered

        self.car, self.source = car, source
        self._weather = weather
        self.coach = coach if car.by_role("load") is not None and (folder or path) is not None else None
        self._coached = (0, 0)
        self.events = EventList(say=say)
        self.event_file = event_file
        if event_file is not None:
            self.events.watch(event_file)
        self._folder, self._path = folder, path
        self._tune, self._gear = tune, gear
        plan = targets if isinstance(targets, GuidePlan) else GuidePlan(targets, gear=gear)
        self._guide = Guide(car, plan) if plan.targets else None
        self._asked: deque[Literal["here", "skip", "back"]] = deque()
        self._want_recording = record and (folder is not None or path is not None)
        self._notes: deque[SourceNote] = deque()
        self._marks: deque[str] = deque()
        self._knocks: deque[None] = deque()
        self._zero_asked: deque[bool] = deque()  # rolling
        self._zero_again: deque[Command] = deque()  # of a recording that is replayed
        self._zero_key: ZeroKey | None = None
        self._speeds: deque[tuple[float, float, float]] = deque()  # session time, lowest and highest rpm up to it
        self._reader = Reader(
            source,
            self._notes,
            lambda info: max(READ_ROWS, round(RING_S * info.rate_hz)),
            wait=wait_for_slowest or not source.realtime,
        )
        self._engine = threading.Thread(target=self._run, name="steadypull-engine", daemon=True)
        self._recorders: list[Recorder] = []
        self._take: Take | None = None
        self._stage: LiveStage | None = None
        self._origin = 0
        self._log = LiveLog()
        self._last: LiveRows | None = None
        self._published = self._guided(DriveStatus(state="opening"))
        self._next_publish = 0.0
        self._last_push = time.monotonic()
        self._failure: BaseException | None = None
        self._away = False
        self._beside = [
            Beside(name, make, its_car, self.events, self._now, self._pulls_now, say) for name, make, its_car in beside
        ]
        self._disk_again = 0.0
        self._disk_left: int | None = None
        self._lock = threading.Lock()
        self._restart = False
        self.done = threading.Event()

    # -- for the owner ------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Open the source and let it run, on threads of its own. Returns at once."""
        self._reader.start()
        self._engine.start()
        for other in self._beside:
            other.start()
        if self.coach is not None:
            self.coach.start()

    def wait_open(self, timeout_s: float | None = None) -> bool:
        """Wait until the stream is described, or cannot be. Raises what kept it from opening."""
        opened = self._reader.opened.wait(timeout_s)
        if self._reader.ring is None and self._reader.failure is not None:
            raise self._reader.failure
        return opened

    def stop(self) -> None:
        """End the drive soon: the recording is finished, the port given back."""
        self._reader.stop()

    def join(self, timeout_s: float | None = None) -> None:
        """Wait for the end, and raise what went wrong on the way, the disk's failure last."""
        self.done.wait(timeout_s)
        for failure in (self._reader.failure, self._failure, *(r.failure for r in self._recorders)):
            if failure is not None:
                raise failure

    @property
    def recorded(self) -> list[Path]:
        """The session files, in order, where they stand now."""
        return [recorder.take.writer.path for recorder in self._recorders]

    def quiet_s(self) -> float:
        """Seconds since the last sample was taken."""
        return time.monotonic() - self._last_push

    @property
    def stage(self) -> LiveStage | None:
        """The live stage of the session that runs, or ran last."""
        return self._stage

    # -- for the window: all return at once ---------------------------------------------------------------------

    @property
    def info(self) -> StreamInfo | None:
        """What the stream carries; None until it is described."""
        return None if self._reader.ring is None else self._reader.ring.info

    def raw_cursor(self) -> Cursor:
        """A place at the newest raw row. Raises RuntimeError before the stream is described."""
        return self._ring().cursor()

    def live_cursor(self) -> LiveLogCursor:
        """A place at the newest live row."""
        return self._log.cursor()

    def start_recording(self) -> None:
        """Begin a new session file with the next sample. Raises StorageError where there is no folder for it."""
        if self._folder is None and self._path is None:
            raise StorageError("no folder to record to; start again with one", code="no-folder")
        with self._lock:
            self._want_recording = True

    def stop_recording(self) -> None:
        """Finish the session file; the live numbers go on."""
        with self._lock:
            self._want_recording = False

    def set_tune(self, label: str) -> None:
        """Name the tune that is in the car now. A session has one tune, so a recording goes on in a new file."""
        with self._lock:
            if label != self._tune:
                self._keep("tune", label)
                self._tune = label
                self._restart = self._take is not None

    def mark(self, text: str = "") -> None:
        """Put a mark at this moment."""
        self._marks.append(text)

    def knock_heard(self) -> None:
        """Knock was heard just now: kept in the session with the speeds of the last moment, and as an event."""
        self._knocks.append(None)

    def zero(self, rolling: bool = False) -> None:
        """Declare the last quiet seconds as zero load, in neutral: standing on the level with the brakes off, or in a
        free roll. Refused, with the reason, where they do not look like it."""
        self._zero_asked.append(rolling)

    def set_weather(self, weather: Weather) -> None:
        """The air of the day: kept in this session file and in those that follow."""
        with self._lock:
            self._weather = weather
            if self._take is not None:
                self._take.weather.append(weather)

    def here(self) -> None:
        """The speed that is held now is the target that was asked for, by the person's own reading."""
        self._asked.append("here")

    def skip_target(self) -> None:
        """Leave the next target out."""
        self._asked.append("skip")

    def redo_target(self) -> None:
        """Go back to the target before; its hold no longer counts."""
        self._asked.append("back")

    def status(self) -> DriveStatus:
        """One look at the drive."""
        last = self._last
        return replace(
            self._published,
            state=self._state(),
            failure=self._failure_text(),
            recording=self._take is not None,
            path=self.recorded[-1] if self.recorded else None,
            tune=self._tune,
            speed_rpm=float("nan") if last is None else float(last.speed_rpm[-1]),
            load=float("nan") if last is None else float(last.load[-1]),
            disk_free_bytes=self._disk_free(),
            counters=self.source.counters(),
            next_step=None if self.coach is None else self.coach.step,
            blind_limits=self.car.limited if self._away else self._published.blind_limits,
            beside=tuple(other.status() for other in self._beside),
        )

    # -- the engine's thread ------------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            self._reader.opened.wait()
            ring = self._reader.ring
            if ring is not None:
                cursor = ring.cursor(claim=True)
                self._begin(ring, cursor)
                self._reader.go.set()
                self._follow(ring, cursor)
        except BaseException as error:  # noqa: BLE001 - kept, and raised again by join()
            self._failure = error
            self._reader.stop()
            self._leave_rest_to_recorder()
        finally:
            self._finish()

    def _leave_rest_to_recorder(self) -> None:
        """The stage has failed: what came off the wire is recorded all the same."""
        take, ring = self._take, self._reader.ring
        if take is not None and ring is not None:
            take.passed(ring.written, join_rows([]))

    def _finish(self) -> None:
        """The end, whatever happened: the session is finished with what there is, and nobody waits for ever."""
        take = self._take
        try:
            self._end()
        except BaseException as error:  # noqa: BLE001 - kept, and raised again by join()
            self._failure = self._failure or error
        finally:
            if take is not None:
                take.ended.set()
                take.news.set()
            for recorder in self._recorders:
                recorder.join()
            for other in self._beside:
                other.stop()
            for other in self._beside:
                other.join(BESIDE_ENDS_S)
            if self.event_file is not None:
                self.event_file.close()
            if self.coach is not None:
                self.coach.stop()
            self.done.set()

    def _follow(self, ring: Ring, cursor: Cursor) -> None:
        # small bites where the drive may end by itself, so that it ends there and not a minute later
        rows = READ_ROWS if self._guide is None else max(1, round(GUIDED_READ_S * ring.info.rate_hz))
        step = max(1, round(STEP_S * ring.info.rate_hz))
        while not (cursor.drained or (self._guide is not None and self._guide.satisfied)):
            cursor.wait(0.1, step)
            self._tell(ring)
            self._obey(ring, cursor)
            block = cursor.read(rows)
            if block is not None:
                self._push(block, cursor)
            elif self._stage is not None and self._published.time_s != self._stage.time_s:
                self._publish(self._stage)  # what came last before the line fell silent
        self._reader.stop()  # it reads on where the drive ends because the uncertainty is small enough
        self._tell(ring)

    def _push(self, block: Block, cursor: Cursor) -> None:
        stage = self._stage
        if stage is None:
            return
        if stage.rows == 0:
            self._origin = block.first
        if self._guide is not None and self._guide.ear is not None:
            self._guide.ear.hear(block)
        rows = stage.push(block)
        if len(rows):
            self._last = rows
            self._log.add(rows)
            seen = rows.speed_rpm[np.isfinite(rows.speed_rpm)]
            if len(seen):
                self._speeds.append((float(rows.time_s[-1]), float(seen.min()), float(seen.max())))
            while self._speeds and self._speeds[0][0] < rows.time_s[-1] - REACTION_S:
                self._speeds.popleft()
        if self._take is not None:
            self._take.passed(cursor.row, rows)
        if self._zero_key is not None:
            self._zero_key.hear(block.first - self._origin, block, rows)
        self._tell_coach(stage, block, rows)
        self._take_zeros(stage)
        self._follow_targets(stage)
        now = self._last_push = time.monotonic()
        if now >= self._next_publish:
            self._publish(stage)
            self._next_publish = now + PUBLISH_S

    def _take_zeros(self, stage: LiveStage) -> None:
        """Zeros that were asked for, now or in the recording that is replayed."""
        key = self._zero_key
        while key is not None and self._zero_asked:
            rolling = self._zero_asked.popleft()
            try:
                zero, command = key.take(rolling)
            except InputError as error:
                self.events.add(stage.time_s, "zero", refused(error), details={"refused": True})
                continue
            self._keep(command.kind, command.value, command.index)
            self._have_zero(zero, stage.time_s)
        while key is not None and self._zero_again and self._zero_again[0].index <= key.end:
            command = self._zero_again.popleft()
            try:
                zero = key.again(command)
            except InputError as error:
                self.events.add(stage.time_s, "zero", refused(error), details={"refused": True})
                continue
            self._keep(command.kind, command.value, command.index)
            self._have_zero(zero, zero.end_s)

    def _have_zero(self, zero: Zero, time_s: float) -> None:
        what = zero_taken(zero, self.car, kept=self._take is not None)
        self.events.add(time_s, "zero", what, zero.mean, details={"zero": msgspec.to_builtins(zero)})
        if self._take is not None:
            self._take.zeros.append(zero)
        if self.coach is not None:
            self.coach.zero(zero)

    def _tell_coach(self, stage: LiveStage, block: Block, rows: LiveRows) -> None:
        """Leave it in the coach's box; the coach works on a thread of its own."""
        if self.coach is None:
            return
        self.coach.hear(block.first - self._origin, block, rows)
        now = (len(stage.pulls), stage.changed_verdicts)
        if now != self._coached:
            self._coached = now
            self.coach.pulls(stage.pulls)

    def _follow_targets(self, stage: LiveStage) -> None:
        """Let the guide see what the stage found and what the person asked, and tell what it says."""
        guide = self._guide
        if guide is None:
            return
        while self._asked:
            asked = self._asked.popleft()
            self._keep(asked)
            {"here": guide.here, "skip": guide.skip, "back": guide.redo}[asked]()
        guide.take(stage.holds)
        guide.look(stage.steady())
        self._pass_on(guide, stage)

    def _pass_on(self, guide: Guide, stage: LiveStage) -> None:
        for said in guide.take_said():
            self.events.add(stage.time_s, said.kind, said.what, said.value)

    def _tell(self, ring: Ring) -> None:
        """What the source said and what the person marked, as events at their place in the session."""
        rate = ring.info.rate_hz
        while self._notes:
            note = self._notes.popleft()
            if note.kind == "device-away":
                self._tell_unwatched()
            self._away = note.kind == "device-away" or (self._away and note.kind != "device-back")
            if note.command:
                self._do_again(note)
            elif note.kind != "gap":  # the stage tells gaps itself, in a replay as on the wire
                self.events.add(max(0.0, (note.index - self._origin) / rate), note.kind, note.what)
        while self._marks:
            text = self._marks.popleft()
            self._keep("mark", text)
            self.events.add(self._stage.time_s if self._stage else 0.0, "mark", text)
        while self._knocks:
            self._knocks.popleft()
            self._keep_knock()

    def _tell_unwatched(self) -> None:
        """No limit is watched while the device is away."""
        for unseen, details in all_blind(self.car):
            self.events.add(self._now(), "limit-blind", unseen, details=details)

    def _keep(self, kind: str, value: str = "", index: int | None = None) -> None:
        """Keep in the session what a person did, with the sample before which it took effect."""
        if self._take is not None:
            at = self._take.stage.next_sample if index is None else index
            self._take.commands.append(Command(index=at, kind=kind, value=value))

    def _do_again(self, note: SourceNote) -> None:
        """What a person did in the recording that is replayed, at the same sample."""
        index = max(0, note.index - self._origin)
        if self._guide is not None:
            for asked in ("here", "skip", "back"):
                if note.kind == asked:
                    self._asked.append(asked)
                    return
        if note.kind == "zero":
            self._zero_again.append(Command(index=index, kind=note.kind, value=str(note.what)))
            return
        self._keep(note.kind, str(note.what), index)
        if note.kind == "mark" and self._reader.ring is not None:
            self.events.add(index / self._reader.ring.info.rate_hz, "mark", note.what)

    def _keep_knock(self) -> None:
        """Knock that was heard: an event, and a row in the session that is recorded. No speed known: all of them."""
        low = min((one[1] for one in self._speeds), default=None)
        high = max((one[2] for one in self._speeds), default=None)
        heard = warning("heard-knock", low_rpm=low, high_rpm=high, kept=self._take is not None)
        self.events.add(self._stage.time_s if self._stage else 0.0, "knock-heard", heard, high)
        if self._take is not None:
            said = datetime.now(UTC).isoformat(timespec="seconds")
            self._take.heard.append(Heard(pull=0, rpm_from=low, rpm_to=high, heard=True, said_utc=said))

    def _obey(self, ring: Ring, cursor: Cursor) -> None:
        """Start or end a recording between two blocks, as the window last asked."""
        with self._lock:
            want, restart = self._want_recording, self._restart
            self._restart = False
        if restart or want != (self._take is not None):
            self._end()
            self._begin(ring, cursor)

    def _begin(self, ring: Ring, cursor: Cursor) -> None:
        """A new session from the next sample on, recorded where that is wanted."""
        behind = (ring.written - cursor.row) / ring.info.rate_hz
        since_ns = time.monotonic_ns() - round(1e9 * behind)  # when that sample came
        stage = LiveStage(self.car, ring.info, self.events, self._tune, self._gear)
        self._stage = stage
        self._speeds.clear()
        self._zero_key = ZeroKey(self.car, ring.info)
        now = datetime.now(UTC)
        path = self._path
        if self._want_recording and path is None:
            path = new_session_path(self._folder or Path(), self._tune, now)
        if self._want_recording and path is not None:
            # first of all: what comes next may take its time
            self._begin_recording(ring, cursor, stage, path, now, since_ns)
        if self._guide is not None:
            if self._guide.ear is None:
                self._guide.ear = PulseEar(self.car, ring.info)
            self._guide.new_session()
        self._begin_coaching(stage, ring.info, path, now)

    def _begin_recording(
        self, ring: Ring, cursor: Cursor, stage: LiveStage, path: Path, now: datetime, since_ns: int
    ) -> None:
        writer = SessionWriter(
            path,
            ring.info,
            self.car.text,
            stage.head,
            tune=self._tune,
            gear=self._gear,
            started_utc=now,
            conditions=self._weather,
        )
        newest = self.events.last
        self.events.add(0.0, "recording-began", path.name)
        self._take = Take(writer, ring.cursor_at(cursor.row), stage, self.events, cursor.row, seen_event=newest)
        self._take.companions = [other.begin(path, since_ns) for other in self._beside]
        recorder = Recorder(self._take)
        self._recorders.append(recorder)
        recorder.start()

    def _begin_coaching(self, stage: LiveStage, info: StreamInfo, path: Path | None, now: datetime) -> None:
        if self.coach is None:
            return
        self._coached = (0, 0)
        every = max(1, stage.settings.decimation)
        where = path if path is not None else (self._folder or Path()) / "not recorded"
        self.coach.begin(
            RunningSession(where, self.car, info, self._tune, self._gear, now, every, conditions=self._weather)
        )

    def _end(self) -> None:
        """Close the session that runs: the stage's last findings, then the recorder's last rows."""
        stage, take = self._stage, self._take
        self._take = None
        for companion in take.companions if take is not None else ():
            companion.ended.set()  # what comes from now on belongs to the session that follows
        if stage is not None:
            rows = stage.finish()
            if len(rows):
                self._log.add(rows)
                if take is not None:
                    take.passed(take.stage_row, rows)
            if self._guide is not None:
                self._guide.take(stage.holds)
                self._pass_on(self._guide, stage)
            if self.coach is not None:
                self.coach.pulls(stage.pulls)
            self._publish(stage)
        if take is not None:
            if self._guide is not None:
                take.marks = self._guide.marks(take.stage.holds, take.stage.pinned)
                self._pass_on(self._guide, take.stage)
            self.events.add(take.stage.time_s, "recording-ended", take.writer.path.name)
            take.ended.set()
            take.news.set()

    def _publish(self, stage: LiveStage) -> None:
        """A snapshot for the window: the stage itself belongs to this thread alone."""
        holds, pulls = stage.holds, stage.pulls
        load = self.car.by_role("load")
        self._published = self._guided(
            DriveStatus(
                state="running",
                time_s=stage.time_s,
                load_unit="" if load is None else load.unit,
                steady=stage.steady(),
                health=stage.health(),
                last_hold=holds[-1] if holds else None,
                holds=len(holds),
                last_pull=pulls[-1] if pulls else None,
                pulls=len(pulls),
                pull_now=stage.pull_now,
                changed_verdicts=stage.changed_verdicts,
                redline_rpm=self.car.engine.redline_rpm,
                blind_limits=stage.blind_limits,
            )
        )

    def _guided(self, status: DriveStatus) -> DriveStatus:
        """The look with what the guide knows."""
        guide = self._guide
        if guide is None:
            return status
        return replace(
            status,
            targets=guide.targets,
            next_target_rpm=guide.next_rpm,
            target_road_kmh=guide.road_kmh,
            target_hint=guide.hint,
            targets_taken=guide.taken,
            target_steady_s=guide.steady_s,
            target_speed_rpm=guide.speed_rpm,
            uncertainty_rpm=guide.uncertainty_rpm,
            until_u_rpm=guide.plan.until_u_rpm,
        )

    # -- small answers ------------------------------------------------------------------------------------------

    def _now(self) -> float:
        return 0.0 if self._stage is None else self._stage.time_s

    def _pulls_now(self) -> bool:
        return self._stage is not None and self._stage.pull_now is not None

    def _ring(self) -> Ring:
        if self._reader.ring is None:
            raise RuntimeError("the stream is not described yet")
        return self._reader.ring

    def _state(self) -> Literal["opening", "running", "away", "finished", "failed"]:
        if self._failure_text():
            return "failed"
        if self.done.is_set():
            return "finished"
        if self._reader.ring is None:
            return "opening"
        return "away" if self._away else "running"

    def _failure_text(self) -> str:
        failures = (self._reader.failure, self._failure, *(r.failure for r in self._recorders))
        return next((str(failure) or repr(failure) for failure in failures if failure is not None), "")

    def _disk_free(self) -> int | None:
        """Asked of the system once a second at most: a window looks 60 times."""
        now = time.monotonic()
        if now >= self._disk_again:
            self._disk_again = now + DISK_EVERY_S
            folder = self._path.parent if self._path is not None else self._folder
            try:
                self._disk_left = None if folder is None else shutil.disk_usage(folder).free
            except OSError:
                self._disk_left = None
        return self._disk_left
