"""Sections on the drive: cautions, the car, the day with its air, the pulls, and where every number comes from."""

from functools import partial

from stream.car import Car
from ui.report import pictures
from ui.report.gather import Gathered
from ui.report.model import Facts, Part, Picture, Section, Table, Words, minds
from ui.text.cautions import ON_PAPER
from ui.text.faults import faults
from ui.text.figures import count, figures, length, moment, one_line, tune_name, whole
from ui.text.findings import say_all
from ui.text.shelf import trouble as shelf_trouble

STRIP_MM = 29.0
ROLES = {
    "engine_speed": "engine speed",
    "manifold_pressure": "manifold pressure",
    "road_speed": "road speed",
    "fuel_trim": "fuel trim",
}


def cautions(found: Gathered) -> Section:
    """What is said wherever people read output."""
    del found
    return Section("Before you act on this", tuple(Words(text, "caution") for text in ON_PAPER))


def car(found: Gathered) -> Section:
    """The car of each car file that the sessions carry."""
    files: dict[str, tuple[Car, list[int]]] = {}
    for place, session in enumerate(found.sessions, start=1):
        files.setdefault(session.car.text.strip(), (session.car, []))[1].append(place)
    parts: list[Part] = []
    if len(files) > 1:
        parts += minds(["the sessions do not all carry the same car file"])
    for one, places in files.values():
        if len(files) > 1:
            parts.append(Words(f"Session {', '.join(map(str, places))}:"))
        parts += [Facts(tuple(_car_facts(one))), _channels(one)]
    return Section("The car", tuple(parts))


def day(found: Gathered) -> Section:
    """The sessions in order of time, and the air where it was given."""
    rows = []
    for place, (session, summary) in enumerate(zip(found.sessions, found.summaries, strict=True), start=1):
        rows.append(
            (
                str(place),
                session.path.name,
                moment(session.started_utc),
                tune_name(session.tune),
                "" if session.gear is None else str(session.gear),
                length(session.duration_s),
                f"{session.rate_hz:.6g}",
                count(session.lost_samples),
                count(summary.clipped_samples),
                str(len(session.zeros)),
            )
        )
    heads = ("no.", "session", "began", "tune", "gear", "length", "Hz", "lost", "clipped", "zeros")
    parts: list[Part] = [
        Table(
            heads,
            tuple(rows),
            frozenset({1, 2, 3}),
            "Lost and clipped are samples; clipped is outside the range "
            "that the car file states. Sessions are called by the number in the first column from here on.",
        ),
    ]
    for place, summary in enumerate(found.summaries, start=1):
        parts += [Words(f"Note to session {place}: {one_line(summary.note)}")] if summary.note else []
        parts += minds([f"session {place}: {line}"]) if (line := shelf_trouble(summary)) else []
    parts += _air(found)
    parts.append(Words("Engine speed over each session. Grey: clean pulls; hatched: flawed pulls; thick bars: holds."))
    parts += [
        Picture(partial(pictures.draw_drive, session=session), STRIP_MM, f"Session {place}, {tune_name(session.tune)}.")
        for place, session in enumerate(found.sessions, start=1)
    ]
    return Section("The day", tuple(parts))


def pulls(found: Gathered) -> Section:
    """Every pull with its verdict and the reasons."""
    rows = []
    for place, session in enumerate(found.sessions, start=1):
        gears = [pull.gear for pull in found.pulls if pull.session == str(session.path)]
        gears = gears or [pull.gear for pull in session.pulls]
        found_here = zip(session.pulls, session.pull_marks, gears, strict=True)
        for number, (pull, mark, gear) in enumerate(found_here, start=1):
            by_hand = {1: "kept by hand", -1: "dropped by hand"}.get(mark.kept, "")
            rows.append(
                (
                    f"{place}.{number}",
                    tune_name(pull.tune or session.tune),
                    "" if gear is None else str(gear),
                    f"{pull.start_s:.1f}",
                    f"{pull.end_s:.1f}",
                    whole(pull.start_rpm),
                    whole(pull.end_rpm),
                    pull.verdict,
                    "; ".join(part for part in (faults(pull.faults), by_hand) if part),
                )
            )
    if not rows:
        return Section("Pulls", (Words("No pull was found."),))
    heads = ("pull", "tune", "gear", "from s", "to s", "from rpm", "to rpm", "verdict", "why")
    note = "Numbered session.pull. Flawed pulls are kept and named, and used only where a person said so."
    return Section("Pulls", (Table(heads, tuple(rows), frozenset({1, 7, 8}), note),))


def provenance(found: Gathered) -> Section:
    """Files with their hashes, versions, settings: enough to make every number again."""
    rows = tuple(
        (str(place), session.path.name, count(file.size), file.sha256)
        for place, (session, file) in enumerate(zip(found.sessions, found.files, strict=True), start=1)
    )
    settings = [
        ("Report made by", f"{found.software}, {found.made:%Y-%m-%dT%H:%M:%SZ}"),
        ("Rev bands", f"{found.width_rpm:g} rpm wide"),
        ("Intervals", "95 %; a pull counts once, whatever its number of samples"),
        ("Load", "corrected to standard air by ISO 1585" if found.corrected else "not corrected to standard air"),
    ]
    settings += [
        (one.what, f"{one.path.name}, {count(one.size)} bytes, SHA-256 {one.sha256}") for one in found.studies.files
    ]
    settings += [("In the car now", tune_name(found.studies.now))] if found.studies.ignition is not None else []
    versions = dict.fromkeys(file.recorded_by or "not said" for file in found.files)
    settings += [("Recorded by version", ", ".join(versions))]
    filters = dict.fromkeys(file.live_filter for file in found.files if file.live_filter)
    settings += [("Live filter", text) for text in filters]
    rules = dict.fromkeys((session.car.hold, session.car.pull) for session in found.sessions)
    for hold, pull in rules:
        settings += [
            (
                "A hold",
                f"{hold.min_s:g} s within ± {hold.band_pct:g} % (at least {hold.band_rpm:g} rpm), drift under "
                f"{hold.drift_pct_per_s:g} % a second (at least {hold.drift_rpm_per_s:g} rpm/s)",
            ),
            ("A pull", f"at least {pull.min_span_rpm:g} rpm where the gear is not known"),
        ]
    table = Table(("no.", "session file", "bytes", "SHA-256"), rows, frozenset({1, 3}))
    return Section("Where the numbers come from", (table, Facts(tuple(settings))))


def _car_facts(one: Car) -> list[tuple[str, str]]:
    body, gearing, engine = one.car, one.gearing, one.engine
    told = [
        ("Name", one_line(body.name)),
        ("Mass as driven", None if body.mass_kg is None else f"{body.mass_kg:g} kg, people included"),
        ("Rolling radius", None if body.rolling_radius_m is None else f"{body.rolling_radius_m:g} m"),
        ("Gears", ", ".join(f"{ratio:g}" for ratio in gearing.ratios) or None),
        ("Final drive", None if gearing.final_drive is None else f"{gearing.final_drive:g}"),
        ("Redline", None if engine.redline_rpm is None else f"{engine.redline_rpm:g} rpm"),
        ("Pulses a turn", None if engine.pulses_per_turn is None else f"{engine.pulses_per_turn:g}"),
    ]
    return [(name, value) for name, value in told if value is not None]


def _channels(one: Car) -> Table:
    rows = []
    for channel in one.channel:
        details = [
            "" if channel.bridge is None else f"{channel.bridge} bridge",
            "" if channel.gauge_factor is None else f"gauge factor {channel.gauge_factor:g}",
            "" if channel.newtons_per_unit is None else f"{channel.newtons_per_unit:g} N per {channel.unit or 'unit'}",
            "" if channel.lag_s is None else f"lag {channel.lag_s:g} s",
            "" if channel.side is None else channel.side,
        ]
        span = "" if channel.range is None else f"{channel.range[0]:g} to {channel.range[1]:g}"
        rows.append(
            (
                channel.name,
                ROLES.get(channel.role, channel.role),
                channel.unit,
                span,
                one_line(", ".join(part for part in details if part)),
            )
        )
    return Table(("channel", "measures", "unit", "range", ""), tuple(rows), frozenset({0, 1, 2, 3, 4}))


def _air(found: Gathered) -> list[Part]:
    if not found.air:
        return [Words("No air reading was given: load is not corrected to standard air.")]
    different = dict.fromkeys(found.air.values())
    rows = []
    for air in different:
        places = [
            str(place)
            for place, session in enumerate(found.sessions, start=1)
            if found.air.get(str(session.path)) == air
        ]
        factors = (air.factors.iso_1585, air.factors.sae_j1349)
        rows.append(
            (
                ", ".join(places),
                f"{air.temperature_c:g}",
                f"{air.pressure_hpa:g}",
                f"{air.humidity_pct:g}",
                *(figures(value, 0.01) if value is not None else "" for value in factors),
            )
        )
    heads = ("session", "air °C", "pressure hPa", "humidity %", "ISO 1585", "SAE J1349")
    note = "The last two are correction factors to standard air, for full throttle without boost."
    parts: list[Part] = [Table(heads, tuple(rows), note=note)]
    if found.corrected:
        parts.append(Words("Curves and comparisons are corrected by ISO 1585, on all tunes alike."))
    else:
        parts.append(Words("Load is not corrected to standard air."))
    return [*parts, *minds(say_all(found.air_findings))]
