import msgspec
import pytest

from stream.errors import InputError
from stream.study.force.air import air_factors, range_findings
from ui.text.findings import say_all


@pytest.mark.parametrize(
    ("temperature", "pressure", "humidity", "altitude", "named"),
    [
        (20, 1000, 140, None, "humidity"),
        (20, 1000, -1, None, "humidity"),
        (20, 10, 50, None, "pressure"),
        (20, 99, 50, None, "hPa"),
        (-300, 1000, 50, None, "temperature"),
        (float("nan"), 1000, 50, None, "temperature"),
        (20, float("inf"), 50, None, "pressure"),
        (20, 1000, 50, 30000, "altitude"),
        (20, 700, 50, 1500, "sea-level"),
    ],
)
def test_what_cannot_be_weather_is_refused(
    temperature: float, pressure: float, humidity: float, altitude: float | None, named: str
) -> None:
    """Air that no weather has is one line with the limits."""
    with pytest.raises(InputError, match=named):
        air_factors(temperature, pressure, humidity, altitude)


def test_sea_level_pressure_is_brought_to_the_altitude_and_not_used_as_it_is() -> None:
    """A weather report's pressure is brought to the road's altitude."""
    trap = air_factors(20, 1013.25, 0)
    found = air_factors(20, 1013.25, 0, altitude_m=500)

    assert trap.dry_pressure_hpa == pytest.approx(1013.25)
    assert found.dry_pressure_hpa == pytest.approx(954.6, abs=0.1)


def test_keys_of_the_json_are_these() -> None:
    """The JSON's keys and their order are fixed."""
    found = msgspec.to_builtins(air_factors(25, 990, 0))

    assert list(found) == ["sae_j1349", "iso_1585", "vapour_pressure_hpa", "dry_pressure_hpa", "valid"]


def test_the_range_that_is_left_is_named() -> None:
    """Which standard's range is left is said."""
    assert range_findings(25, air_factors(25, 990, 0)) == []
    assert any(
        "ISO 1585" in words and "5 °C" in words for words in say_all(range_findings(5, air_factors(5, 1000, 40)))
    )
