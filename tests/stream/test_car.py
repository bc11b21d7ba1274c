"""The car file: what is accepted, and errors that name the file, the key path or line, and the cure."""

import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.car import Car, load_car, parse_car
from stream.errors import InputError
from stream.sources.rehearsal.scenario import demo_car_text
from ui.text.findings import say_all

SMALLEST = '[car]\nname = "x"\n[[channel]]\nname = "rpm"\nrole = "engine_speed"\n'


def refused(text: str) -> str:
    """The one line with which a text is refused."""
    with pytest.raises(InputError) as caught:
        parse_car(text, "my.toml")
    line = str(caught.value)
    assert "\n" not in line
    assert line.startswith("my.toml: ")
    assert ";" in line, "the cure comes behind a semicolon"
    return line


def test_the_smallest_car_has_the_defaults() -> None:
    """A name and one channel are enough; the rest is as documented."""
    car = parse_car(SMALLEST)

    assert (car.live.cutoff_hz, car.live.rate_hz) == (10.0, 100.0)
    assert (car.hold.min_s, car.hold.band_pct, car.hold.band_rpm) == (3.0, 1.5, 60.0)
    assert (car.hold.drift_pct_per_s, car.hold.drift_rpm_per_s) == (0.5, 20.0)
    assert car.pull.min_span_rpm == 1500.0
    assert car.channel[0].csv_column == "rpm"
    assert car.channel[0].range is None
    assert car.text == SMALLEST
    assert car.findings == ()


def test_the_scenario_s_car_is_read_as_written() -> None:
    """Numbers, tuples and roles; time carries no samples."""
    car = parse_car(demo_car_text(time_column="Time"))

    assert car.car.mass_kg == 790.0
    assert car.gearing.ratios == (3.0, 1.95, 1.38, 1.0)
    assert car.speed_line("drive") == (1720.0, -430.0)
    assert [channel.name for channel in car.signal_channels] == ["speed_v", "link"]
    assert car.by_role("time") is not None
    assert car.need("load", "pulls").range == (-2.0, 2.0)


def test_a_channel_in_rpm_needs_no_line() -> None:
    """One rpm is one rpm."""
    assert parse_car(SMALLEST + 'unit = "rpm"\n').speed_line("drive") == (1.0, 0.0)


def test_what_a_command_needs_and_the_file_lacks_names_the_file_and_the_cure() -> None:
    """A role, or the line of the speed channel."""
    car = parse_car(SMALLEST.replace("engine_speed", "throttle"), "my.toml")
    with pytest.raises(InputError, match=r'^my.toml: drive needs .* role = "engine_speed"$'):
        car.need("engine_speed", "drive")
    with pytest.raises(InputError, match=r"^my.toml: channel 'rpm': rpm_per_unit is missing; give the rpm of one V"):
        parse_car(SMALLEST + 'unit = "V"\n', "my.toml").speed_line("drive")


def test_keys_that_are_not_known_are_warnings_with_their_path() -> None:
    """A newer Steadypull may have written them."""
    car = parse_car('colour = "red"\n' + SMALLEST + "tint = 1\n[live]\nspeed = 3\n[extra]\na = 1\n")

    assert set(say_all(car.findings)) == {
        f"{path} is not known and is left out" for path in ("colour", "channel[0].tint", "live.speed", "extra")
    }


@pytest.mark.parametrize(
    ("change", "place", "cure"),
    [
        (("[car]", "[cars]"), "car: ", "add a [car] table"),
        (('name = "x"\n', ""), "car.name: ", "add it"),
        (('name = "x"', 'name = " "'), "car.name: ", "give the car a name"),
        (('name = "x"', "name = 3"), "car.name: is 3, not text", "mend the value"),
        (("[[channel]]", "[channel]"), "channel: ", "two brackets"),
        (('role = "engine_speed"', ""), "channel[0].role: is missing", "add it"),
        (('role = "engine_speed"', 'role = "rev"'), "channel[0].role: ", "use one of engine_speed load lambda"),
        (('role = "engine_speed"', 'role = "time"'), "channel: ", "add a [[channel]] table"),
        (('name = "rpm"', 'name = ""'), "channel[0].name: ", "use plain text"),
        (('name = "rpm"', 'name = "a\\tb"'), "channel[0].name: ", "use plain text"),
        (('name = "rpm"', 'name = "rpm'), "at line 4", "mend that line"),
    ],
)
def test_errors_name_the_place_and_the_cure(change: tuple[str, str], place: str, cure: str) -> None:
    """One line: my.toml, key path or line, what is wrong, what to do."""
    assert change[0] in SMALLEST
    line = refused(SMALLEST.replace(*change))

    assert place in line
    assert cure in line


@pytest.mark.parametrize(
    ("added", "place", "cure"),
    [
        ('unit = "km/h"\n', "channel[0].unit: 'km/h' is not a unit of engine speed", "V, mV, Hz, rpm"),
        ("rpm_per_unit = 0\n", "channel[0].rpm_per_unit: ", "not zero"),
        ("rpm_per_unit = nan\n", "channel[0].rpm_per_unit: ", "not zero"),
        ("rpm_at_zero = inf\n", "channel[0].rpm_at_zero: ", "finite"),
        ("range = [4.0, 1.0]\n", "channel[0].range: ", "lower number first"),
        ("range = [-1e308, 1.0]\n", "channel[0].range: ", "leave it out"),
        ("rpm_per_unit = -1e308\n", "channel[0].rpm_per_unit: ", "at most 1e+09"),
        ("rpm_at_zero = 1e308\n", "channel[0].rpm_at_zero: ", "at most 1e+09"),
        ("[live]\ncutoff_hz = 1e-320\n", "live.cutoff_hz: ", "give 0.05 to 1e+09"),
        ("[live]\nrate_hz = 5e-324\n", "live.rate_hz: ", "give 0.1 to 1e+09"),
        ("[hold]\nmin_s = 1e308\n", "hold.min_s: ", "give 0.1 to 1e+09"),
        ("range = [1.0]\n", "channel[0].range: is [1.0], not a list of 2", "mend the value"),
        ("lag_s = -1\n", "channel[0].lag_s: ", "from 0 to 10"),
        ("sign = 2\n", "channel[0].sign: is 2", "use one of -1 1"),
        ('bridge = "half"\n', "channel[0].bridge: ", "use one of quarter half-bending"),
        ("gauge_factor = 0\n", "channel[0].gauge_factor: ", "packet"),
        ('[[channel]]\nname = "rpm"\nrole = "other"\n', "channel[1].name: 'rpm' is already channel[0]", "unique"),
        ('[[channel]]\nname = "n"\nrole = "engine_speed"\n', "channel: rpm and n both have role", "keep one"),
        ('[[channel]]\nname = "n"\nrole = "load"\nunit = "kg"\n', "channel[1].unit: 'kg'", "microstrain"),
        ("[live]\ncutoff_hz = 0\n", "live.cutoff_hz: 0.0 is not a positive number", "mend"),
        ("[hold]\nmin_s = -3\n", "hold.min_s: ", "mend"),
        ("[gearing]\nratios = [3.0, 0.0]\n", "gearing.ratios[1]: ", "mend"),
        ("[gearing]\nratios = 3.0\n", "gearing.ratios: is 3.0, not a list", "mend the value"),
        ('[gearing]\nratios = [3.0, "x"]\n', "gearing.ratios[1]: is 'x', not a number", "mend the value"),
        ("[engine]\nboosted = 1\n", "engine.boosted: is 1, not true or false", "mend the value"),
        ('[[limit]]\nchannel = "rpm"\nduring = "now"\n', "limit[0].during: is 'now'", "use one of always pull"),
        ("[engine]\npulses_per_turn = nan\n", "engine.pulses_per_turn: ", "mend"),
    ],
)
def test_values_that_cannot_be(added: str, place: str, cure: str) -> None:
    """Units by role, ranges, signs: each with its key path."""
    line = refused(SMALLEST + added)

    assert place in line
    assert cure in line


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: None, "no such car file; make one"),
        (lambda path: path.mkdir(), "is a folder; give the car file in it"),
        (lambda path: path.write_bytes(b'[car]\nname = "\xe9"'), "not UTF-8 text at byte 14; save it as UTF-8"),
        (lambda path: path.write_bytes(b"\x89HDF\r\n\x1a\n\0\0"), "not UTF-8"),
    ],
)
def test_files_that_cannot_be_read(tmp_path: Path, make, words: str) -> None:
    """One line that names the file."""
    path = tmp_path / "car.toml"
    make(path)
    with pytest.raises(InputError) as caught:
        load_car(path)

    assert str(path) in str(caught.value)
    assert words in str(caught.value)


_VALUES = st.recursive(
    st.one_of(st.booleans(), st.integers(-5, 5), st.floats(), st.text(max_size=5)),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.sampled_from("ab"), inner, max_size=2)),
    max_leaves=4,
)


def as_toml(value: object) -> str:
    """A value in TOML, written by hand."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return (
            repr(value) if math.isfinite(value) else ("nan" if math.isnan(value) else f"{'-' if value < 0 else ''}inf")
        )
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(c):08x}" if not 0xD800 <= ord(c) <= 0xDFFF else "?" for c in value) + '"'
    if isinstance(value, list):
        return "[" + ", ".join(map(as_toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {as_toml(item)}" for key, item in value.items()) + "}"
    return repr(value)


def taken_or_words(text: str) -> tuple[Car | None, str]:
    """The car, or the words with which it is refused."""
    try:
        return parse_car(text, "my.toml"), ""
    except InputError as error:
        return None, str(error)


@given(
    table=st.sampled_from(["car", "gearing", "engine", "live", "hold", "pull", "channel", "more"]),
    key=st.sampled_from(
        ["name", "mass_kg", "ratios", "rate_hz", "role", "range", "unit", "rpm_per_unit", "sign", "lag_s"]
    ),
    value=_VALUES,
)
def test_any_value_anywhere_is_taken_or_refused_in_one_line(table: str, key: str, value: object) -> None:
    """Never another exception, and what is taken has a usable line and positive numbers."""
    body = {"car": {"name": '"x"'}, "channel": {"name": '"rpm"', "role": '"engine_speed"'}}
    body.setdefault(table, {})[key] = as_toml(value)
    text = "".join(
        (f"[[{name}]]\n" if name == "channel" else f"[{name}]\n") + "".join(f"{k} = {v}\n" for k, v in keys.items())
        for name, keys in body.items()
    )
    taken, words = taken_or_words(text)

    if taken is None:
        assert words.startswith("my.toml: ")
        assert "\n" not in words
    else:
        assert taken.channel[0].rpm_per_unit != 0
        assert taken.live.rate_hz > 0


@given(st.text(max_size=200))
def test_any_text_is_refused_in_words(text: str) -> None:
    """Random text is no car; it never raises anything else."""
    with pytest.raises(InputError):
        parse_car(text)


@pytest.mark.parametrize("text", ["a = " + "[" * 20000, "a = " + "{a = " * 5000])
def test_brackets_without_end_are_refused(text: str) -> None:
    """What a parser that calls itself cannot follow is one line, too."""
    assert "nested too deeply" in refused(text)


@pytest.mark.parametrize(
    "key", ["a" + ".a" * 50_000, '"a"' + " . 'b'" * 30, "[a" + ".a" * 5000 + "]", "x = {a" + ".a" * 40]
)
def test_a_key_of_many_parts_is_refused_before_it_is_built(key: str) -> None:
    """Each dot is a table in a table: 50 000 of them took 7 GB and a minute."""
    assert "line 2: a key of more than 20 parts" in refused(f"# a car\n{key} = 1")


def test_a_number_of_thousands_of_digits_is_refused() -> None:
    """Python refuses to read it; so does a car, in a line."""
    assert "a number in it is far too long" in refused("[car]\nname = 'x'\nmass_kg = " + "1" * 5000)


@pytest.mark.parametrize("path", [Path("/dev/zero"), None])
def test_a_car_file_without_end_is_refused(path: Path | None, tmp_path: Path) -> None:
    """No more of a file is read than a car file can have."""
    if path is None:
        path = tmp_path / "car.toml"
        path.write_bytes(b"#" * 5_000_000)
    with pytest.raises(InputError, match="longer than 4 MB"):
        load_car(path)


LIMITED = """
[car]
name = "hill-climb special"
[engine]
advance_max_deg = 40.0
[[channel]]
name = "knock"
role = "knock"
[[limit]]
channel = "knock"
above = 2.0
"""


def test_limits_and_the_most_advance_are_read() -> None:
    """[[limit]] as the interface has it; `during` is 'always' where nothing is said."""
    car = parse_car(LIMITED)

    assert [(one.channel, one.above, one.below, one.during) for one in car.limit] == [("knock", 2.0, None, "always")]
    assert car.engine.advance_max_deg == 40.0
    assert car.findings == ()


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ('channel = "knock"\nabove = 2.0', 'channel = "knok"\nabove = 2.0', "limit[0].channel"),
        ("above = 2.0", "", "limit[0]"),
        ("above = 2.0", "above = nan", "limit[0].above"),
        ("above = 2.0", "above = 1.0\nbelow = 2.0", "limit[0]"),
        ("above = 2.0", 'above = 1.0\nduring = "idle"', "limit[0].during"),
        ("[[limit]]", "[limit]", "limit"),
        ("advance_max_deg = 40.0", "advance_max_deg = -1", "engine.advance_max_deg"),
    ],
)
def test_a_limit_that_cannot_be_watched_is_refused_with_its_place(old: str, new: str, place: str) -> None:
    """One line, with the key path."""
    with pytest.raises(InputError, match=re.escape(place)):
        parse_car(LIMITED.replace(old, new))
