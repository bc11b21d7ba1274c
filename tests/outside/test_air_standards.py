"""Air correction against the standards' reference conditions, a reference library and worked values.

Worked values: recomputed from the formulas of SAE J1349 (1990 form; seen quoted, not in the standard itself)
and of ISO 1585 / UN R85 ((EU) 134/2014 Annex II Appendix 2 gives the reference state and temperature range;
the exponents are from memory). Vapour pressure: IAPWS values of Wagner and Pruß, and psychrolib (Hyland and
Wexler, ASHRAE).
"""

import psychrolib
import pytest

from stream.study.force.air import air_factors, saturation_pressure_hpa, station_pressure_hpa

IAPWS_HPA = {0: 6.1121, 10: 12.2811, 20: 23.3919, 25: 31.6982, 30: 42.4692, 40: 73.8511}

# hPa, °C, % -> dry hPa, SAE J1349, ISO 1585, inside the standards' range
WORKED = [
    (990, 25, 0, 990.000, 1.00000, 1.00000, True),
    (1013.25, 15, 0, 1013.250, 0.95341, 0.95281, True),
    (1013.25, 20, 50, 1001.554, 0.97656, 0.97621, True),
    (980, 35, 60, 946.226, 1.07513, 1.07688, False),
    (1000, 5, 40, 996.510, 0.95227, 0.95166, False),
    (900, 20, 30, 892.982, 1.11718, 1.12032, False),
    (1030, 0, 50, 1026.944, 0.90879, 0.90798, False),
]


@pytest.mark.parametrize(("celsius", "hpa"), IAPWS_HPA.items())
def test_saturation_pressure_is_that_of_iapws(celsius: float, hpa: float) -> None:
    """Saturation pressure over water against the IAPWS table."""
    assert saturation_pressure_hpa(celsius) == pytest.approx(hpa, rel=1e-5)


@pytest.mark.parametrize("celsius", [1, 10, 20, 30, 40, 45])
def test_saturation_pressure_agrees_with_psychrolib(celsius: float) -> None:
    """The same pressure as psychrolib computes, over the weather a road can have."""
    psychrolib.SetUnitSystem(psychrolib.SI)

    assert saturation_pressure_hpa(celsius) == pytest.approx(psychrolib.GetSatVapPres(celsius) / 100, rel=5e-4)


@pytest.mark.parametrize(("hpa", "celsius", "humidity", "dry", "sae", "iso", "valid"), WORKED)
def test_factors_are_the_worked_values(
    hpa: float, celsius: float, humidity: float, dry: float, sae: float, iso: float, valid: bool
) -> None:
    """Both standards' factors for worked days."""
    found = air_factors(celsius, hpa, humidity, beyond_range=True)

    assert found.dry_pressure_hpa == pytest.approx(dry, abs=6e-4)
    assert found.sae_j1349 == pytest.approx(sae, abs=3e-5)
    assert found.iso_1585 == pytest.approx(iso, abs=3e-5)
    assert found.valid is valid
    plain = air_factors(celsius, hpa, humidity)
    assert (plain.sae_j1349 is None) is (plain.iso_1585 is None) is (not valid)


def test_reference_state_of_iso_1585_corrects_by_nothing() -> None:
    """Reference: 298 K, 99 kPa dry, 1 kPa vapour (100 kPa in all)."""
    humidity = 100 * 10 / IAPWS_HPA[25]

    found = air_factors(25, 1000, humidity)

    assert found.iso_1585 == pytest.approx(1.0, abs=3e-5)
    assert found.vapour_pressure_hpa == pytest.approx(10.0, rel=1e-4)


@pytest.mark.parametrize(("metres", "hpa"), [(0, 1013.25), (500, 954.61), (1000, 898.75), (2000, 794.95)])
def test_pressure_at_altitude_is_that_of_the_standard_atmosphere(metres: float, hpa: float) -> None:
    """ISO 2533 table, from memory; psychrolib's own standard atmosphere beside it."""
    psychrolib.SetUnitSystem(psychrolib.SI)

    assert station_pressure_hpa(1013.25, metres) == pytest.approx(hpa, abs=0.03)
    library = psychrolib.GetStandardAtmPressure(metres) / 100
    assert station_pressure_hpa(1013.25, metres) == pytest.approx(library, rel=1e-4)
