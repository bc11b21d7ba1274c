import csv
import io

import numpy as np
import pytest
from scipy import stats as reference

from stream.calibrate.link.zero import PullZero, ZeroPart
from stream.errors import InputError
from stream.study.compare.curve import curves, curves_csv
from tests.stream.study.made import day, pull
from ui.text.comparison import curves_json
from ui.text.findings import say_all

LEVELS = [0.99, 1.02, 1.00]


def test_a_curve_is_mean_n_and_t_interval_across_pulls() -> None:
    """Each band is the mean over pulls with Student's interval."""
    result = curves(day([("heron", level) for level in LEVELS]))

    band = result.tunes[0].bands[0]
    low, high = reference.ttest_1samp(LEVELS, 0).confidence_interval(0.95)
    assert (band.mean, band.n) == (pytest.approx(np.mean(LEVELS)), 3)
    assert (band.low, band.high) == pytest.approx((low, high))


def test_one_pull_has_no_interval() -> None:
    """One pull has a mean and no interval."""
    band = curves([pull()]).tunes[0].bands[0]

    assert (band.low, band.high, band.n) == (None, None, 1)


def test_keys_of_the_json_come_first_and_are_these() -> None:
    """The fixed keys come first, in their order."""
    found = curves_json(curves([pull()]))

    assert list(found) == ["unit", "tunes", "findings", "warnings"]
    assert list(found["tunes"][0]) == ["tune", "pulls", "bands"]
    assert list(found["tunes"][0]["bands"][0])[:5] == ["rpm", "mean", "low", "high", "n"]


def test_relative_power_needs_a_zero() -> None:
    """Load times speed means nothing without a zero."""
    made = [pull(), pull("plover", 2.0)]
    refused = curves(made)
    assert any("no relative power" in words for words in say_all(refused.findings))
    assert refused.tunes[0].bands[0].relative_power_pct is None

    given = curves([one.with_zero(PullZero(0.5, (ZeroPart("zero", 0.01),))) for one in made])

    last = given.tunes[1].bands[-1]
    assert last.relative_power_pct == pytest.approx(100)
    first = given.tunes[0].bands[0]
    assert first.relative_power_pct == pytest.approx(100 * 0.5 * first.rpm / (1.5 * last.rpm))
    assert any("zero's uncertainty" in words for words in say_all(given.findings))


def test_a_lags_doubt_widens_a_sloping_curve() -> None:
    """An unsure lag widens a curve where it slopes."""
    made = [pull(shape=lambda rpm: rpm / 4000, u_lag_s=0.02) for _ in LEVELS]

    band = curves(made).tunes[0].bands[4]

    assert band.high - band.mean == pytest.approx(1.96 * 0.02 * 500 / 4000, rel=0.01)


def test_tunes_without_a_gear_in_common_are_shown_and_said() -> None:
    """Curves in different gears are shown, and that is said."""
    result = curves([pull(gear=2), pull("plover", gear=3)])

    assert [tune.tune for tune in result.tunes] == ["heron", "plover"]
    assert any("no gear in common" in words for words in say_all(result.findings))


def test_a_tune_without_a_clean_pull_is_named_and_none_at_all_refused() -> None:
    """A tune without a clean pull is named; where no tune has one, it is refused."""
    bad = pull("plover", verdict="flawed", faults=("lift",))

    assert any("'plover'" in words for words in say_all(curves([pull(), bad]).findings))
    with pytest.raises(InputError, match="no clean pull"):
        curves([bad])
    with pytest.raises(InputError, match="no pulls"):
        curves([])


def test_csv_holds_the_same_numbers() -> None:
    """The CSV file holds the numbers of the curves."""
    result = curves(day([("heron", level) for level in LEVELS] + [("plover", 1.1)]))

    rows = list(csv.DictReader(io.StringIO(curves_csv(result))))

    assert len(rows) == sum(len(tune.bands) for tune in result.tunes)
    assert float(rows[0]["low"]) == pytest.approx(result.tunes[0].bands[0].low)
    assert rows[-1]["low"] == ""
