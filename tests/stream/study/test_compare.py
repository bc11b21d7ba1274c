from dataclasses import replace

import numpy as np
import pytest
from scipy import stats as reference

from stream.calibrate.link.zero import PullZero, ZeroPart
from stream.errors import InputError
from stream.study.compare.answer import Comparison
from stream.study.compare.compare import compare, compare_several
from stream.study.compare.scatter import PRIOR, Component, Scatter
from stream.study.compare.sides import differences, order
from stream.study.pulls import PullTrace
from tests.stream.study.made import day, pull
from ui.text.comparison import comparison_json
from ui.text.findings import say_all

HERON, PLOVER = [1.000, 1.011, 0.994, 1.004], [1.031, 1.044, 1.036, 1.027]
IN_TURN = [
    (tune, level)
    for pair in zip(HERON, PLOVER, strict=True)
    for tune, level in zip(("heron", "plover"), pair, strict=True)
]
IN_BLOCKS = [("heron", level) for level in HERON] + [("plover", level) for level in PLOVER]


def said(result: Comparison, words: str) -> bool:
    return any(words in warning for warning in say_all(result.findings))


def with_zero(pulls: list[PullTrace], doubt: float, per_pull: bool = False) -> list[PullTrace]:
    """The same pulls, each with a zero of this doubt: its session's, or its own."""
    return [
        replace(made, zero=PullZero(0.0, (ZeroPart(f"{made.session}/{index if per_pull else 0}", doubt),)))
        for index, made in enumerate(pulls)
    ]


def test_keys_of_the_json_are_these() -> None:
    """The keys that `compare --json` owes, in order."""
    found = comparison_json(compare(day(IN_TURN), "heron", "plover"))

    assert list(found) == [
        "unit",
        "base",
        "trial",
        "pulls",
        "order_only",
        "bands",
        "overall",
        "smallest_resolvable_pct",
        "pulls_for_2_pct",
        "shape",
        "scatter",
        "look",
        "next_look",
        "left_out",
        "findings",
        "warnings",
    ]
    assert list(found["bands"][0]) == [
        "rpm",
        "base_mean",
        "base_n",
        "trial_mean",
        "trial_n",
        "change_pct",
        "low_pct",
        "high_pct",
        "p_adjusted",
        "resolved",
        "pressure_kpa",
    ]
    assert list(found["shape"]) == ["resolved", "bands"]
    assert list(found["shape"]["bands"][0]) == ["rpm", "change_pct", "low_pct", "high_pct", "resolved"]
    assert list(found["scatter"]) == ["pull_pct", "turn_pct", "days", "from"]
    assert list(found["findings"][0]) == ["code", "severity", "text"]
    assert list(found["overall"]) == ["change_pct", "low_pct", "high_pct", "resolved"]
    assert found["pulls"] == {"base": 4, "trial": 4}


def nothing_known() -> Scatter:
    """A past that is worth nothing: today alone counts."""
    return replace(PRIOR, pull_df=1e-9, turn_df=1e-9)


def test_with_nothing_known_and_one_pull_a_turn_it_is_students_test_on_log_load() -> None:
    """Overall and in each band: scipy.stats.ttest_ind with one variance, on the logs of the levels."""
    result = compare(day(IN_TURN), "heron", "plover", scatter=nothing_known())

    expected = reference.ttest_ind(np.log(PLOVER), np.log(HERON))
    low, high = expected.confidence_interval(0.95)
    for found in (result.overall, result.bands[3]):
        assert found.low_pct == pytest.approx(100 * np.expm1(low), abs=1e-6)
        assert found.high_pct == pytest.approx(100 * np.expm1(high), abs=1e-6)
    assert result.bands[3].change_pct == pytest.approx(
        100 * (reference.gmean(PLOVER) / reference.gmean(HERON) - 1), abs=1e-6
    )
    assert result.bands[3].change_pct == pytest.approx(
        100 * (result.bands[3].trial_mean / result.bands[3].base_mean - 1), abs=1e-9
    )


def test_with_everything_known_the_interval_is_that_of_the_stated_scatter() -> None:
    """Turns of two pulls: half the interval is 1.96 sqrt((turn² + pull² / 2) (1 / turns + 1 / turns)), by hand."""
    known = replace(PRIOR, level=Component(0.01, 0.02), pull_df=1e9, turn_df=1e9)
    rows = [(("heron", "plover")[n // 2 % 2], 1.0 + 0.002 * (n % 3)) for n in range(12)]

    overall = compare(day(rows), "heron", "plover", scatter=known).overall

    half = (np.log1p(overall.high_pct / 100) - np.log1p(overall.low_pct / 100)) / 2
    assert half == pytest.approx(1.95996 * np.sqrt((0.02**2 + 0.01**2 / 2) * (2 / 3)), rel=1e-4)


def test_resampling_whole_pulls_gives_about_the_same_overall_interval() -> None:
    """With twelve pulls a side a percentile bootstrap is near enough to be a cross-check."""
    rng = np.random.default_rng(4)
    levels = {tune: mean * np.exp(rng.normal(0, 0.01, 12)) for tune, mean in (("heron", 1.0), ("plover", 1.02))}
    rows = [(tune, levels[tune][index]) for index in range(12) for tune in levels]
    result = compare(day(rows), "heron", "plover")

    logs = [np.log(level) for level in levels.values()]
    drawn = [rng.choice(side, (4000, 12)).mean(axis=1) for side in logs]
    low, high = 100 * np.expm1(np.quantile(drawn[1] - drawn[0], [0.025, 0.975]))
    assert result.overall.low_pct == pytest.approx(low, abs=0.2)
    assert result.overall.high_pct == pytest.approx(high, abs=0.2)


def test_one_pull_a_side_gives_means_and_no_verdict() -> None:
    """One pull a side shows means and no interval."""
    result = compare(day([("heron", 1.0), ("plover", 1.05)]), "heron", "plover")

    band = result.bands[0]
    assert (band.base_mean, band.trial_mean) == pytest.approx((1.0, 1.05))
    assert band.change_pct == pytest.approx(5.0)
    assert (band.low_pct, band.high_pct, band.p_adjusted, band.resolved) == (None, None, None, False)
    assert (result.overall.low_pct, result.overall.resolved) == (None, False)
    assert result.smallest_resolvable_pct is result.pulls_for_2_pct is None
    assert said(result, "no verdict")


@pytest.mark.parametrize(
    ("tunes", "order_only"),
    [
        ("ABAB", False),
        ("AABBAABB", False),
        ("BABA", False),
        ("ABBA", False),
        ("AABBBBAA", False),
        ("ABA", False),
        ("AABB", True),
        ("AAABBB", True),
        ("AABABBBB", True),
    ],
)
def test_an_order_that_a_drift_would_imitate_is_named(tunes: str, order_only: bool) -> None:
    """In blocks a drift through the day would look the same, so the verdict says 'in this order only'."""
    names = {"A": "heron", "B": "plover"}
    pulls = day([(names[tune], 1.0 + 0.001 * index) for index, tune in enumerate(tunes)])

    result = compare(pulls, "heron", "plover")

    assert result.order_only is order_only
    assert said(result, "in this order only") is order_only


@pytest.mark.parametrize("each", [3, 5, 12])
@pytest.mark.parametrize(("gain", "resolved"), [(1.20, True), (1.05, False)])
def test_in_blocks_only_what_no_drift_could_make_is_resolved(each: int, gain: float, resolved: bool) -> None:
    """The allowance for drift, 2 %, is wide and not mute: 20 % is resolved in any order and 5 % is not."""
    levels = np.exp(np.random.default_rng(each).normal(0, 0.005, 2 * each))
    rows = [
        (tune, gain ** (tune == "plover") * levels[n]) for n, tune in enumerate(["heron"] * each + ["plover"] * each)
    ]

    result = compare(day(rows), "heron", "plover")

    assert result.order_only
    assert result.overall.resolved is resolved
    assert any(band.resolved for band in result.bands) is resolved
    assert result.bands[0].low_pct is not None


def test_the_allowance_for_drift_can_be_said_otherwise() -> None:
    """With no drift to be feared 5 % in blocks is resolved."""
    rows = [
        ("heron", 1.0),
        ("heron", 1.004),
        ("heron", 0.996),
        ("plover", 1.05),
        ("plover", 1.054),
        ("plover", 1.046),
    ] * 2
    rows.sort(key=lambda row: row[0])

    assert compare(day(rows), "heron", "plover", drift_pct=0.0).overall.resolved
    assert not compare(day(rows), "heron", "plover").overall.resolved


def test_turns_inside_one_session_are_turns() -> None:
    """Tunes changed within a session count as turns."""
    pulls = [replace(made, session="s") for made in day(IN_TURN)]

    assert order(pulls, "heron", "plover") == ""


def test_a_shared_zero_is_added_once_whatever_the_number_of_pulls() -> None:
    """A zero that all pulls share does not average out."""
    widths = []
    for repeat in (1, 5):
        pulls = with_zero(day([(t, v) for t in ("heron", "plover") for v in HERON * repeat]), 0.02)
        result = compare(pulls, "heron", "plover")
        widths.append(result.overall.high_pct - result.overall.low_pct)
    # 2 % a side: sqrt(2) * 2 %, times 1.96 each way, is what no number of pulls takes away
    assert min(widths) > 2 * 1.95 * 100 * 0.02 * np.sqrt(2)
    assert result.pulls_for_2_pct is None
    assert "two-pct-out-of-reach" in {one.code for one in result.findings}


def test_a_fresh_zero_for_each_pull_is_in_their_scatter_already() -> None:
    """A zero of its own for each pull is already in the scatter."""
    plain = compare(day(IN_TURN), "heron", "plover")

    fresh = compare(with_zero(day(IN_TURN), 0.004, per_pull=True), "heron", "plover")

    assert fresh.overall.low_pct == pytest.approx(plain.overall.low_pct, abs=0.1)


def test_a_zero_both_tunes_share_cancels() -> None:
    """A zero that both sides share cancels in the change."""
    pulls = [replace(made, session="s") for made in day(IN_TURN)]

    shared = compare(with_zero(pulls, 0.02), "heron", "plover")

    plain = compare(pulls, "heron", "plover")
    assert shared.overall.high_pct == pytest.approx(plain.overall.high_pct, abs=0.05)


def test_turns_that_differ_more_than_the_car_is_known_to_widen_the_interval_and_it_is_said() -> None:
    """Turns 3 % apart where 0.6 % is expected: today's own scatter alone counts."""
    shift = [1.0, 1.0, 0.97, 1.04]
    rows = [(("heron", "plover")[s % 2], shift[s] * v) for s in range(4) for v in (1.0, 1.001, 0.999)]

    result = compare(day(rows), "heron", "plover")

    assert "wilder-than-known" in {one.code for one in result.findings}
    assert not result.overall.resolved
    assert result.overall.high_pct - result.overall.low_pct > 10


def test_a_pull_unlike_its_tunes_others_is_left_out_named_and_can_be_kept() -> None:
    """One at 85 % in twelve: the change of 4 % is found all the same."""
    rows = [(("heron", "plover")[n % 2], (1.0, 1.04)[n % 2] * (1 + 0.004 * ((n * 7) % 5 - 2))) for n in range(12)]
    rows[5] = ("plover", 0.85 * 1.04)
    pulls = [replace(made, number=1) for made in day(rows)]

    result = compare(pulls, "heron", "plover")

    assert [(one.session, one.pull, one.why) for one in result.left_out] == [("s6", 1, "unlike-others")]
    assert (result.pulls.base, result.pulls.trial) == (6, 5)
    assert result.overall.resolved
    assert result.overall.low_pct < 4 < result.overall.high_pct
    kept = compare([replace(made, keep=True) if made.session == "s6" else made for made in pulls], "heron", "plover")
    assert (kept.left_out, kept.pulls.trial, kept.overall.resolved) == ((), 6, False)


def test_a_pull_that_is_odd_in_one_band_only_is_left_out() -> None:
    """A level like the others, and 8 % less at one speed."""

    def dip(rpm: np.ndarray) -> np.ndarray:
        return 1 - 0.08 * np.exp(-(((rpm - 4000) / 150) ** 2))

    pulls = day([(("heron", "plover")[n % 2], 1.0 + 0.003 * (n % 3)) for n in range(12)])
    pulls[4] = replace(pulls[4], load=pulls[4].load * dip(pulls[4].speed_rpm))

    assert [one.session for one in compare(pulls, "heron", "plover").left_out] == ["s5"]


def test_verdicts_fall_at_looks_and_stand_between_them() -> None:
    """Ten pulls are judged by the look at eight, thirteen by that at twelve; 5 pulls have no verdict yet."""
    rows = [(("heron", "plover")[n % 2], (1.0, 1.10)[n % 2] * (1 + 0.002 * (n % 3 - 1))) for n in range(13)]
    found = {n: compare(day(rows[:n]), "heron", "plover") for n in (5, 8, 10, 13)}

    assert [(found[n].look, found[n].next_look) for n in (5, 8, 10, 13)] == [(0, 6), (8, 12), (8, 12), (12, 16)]
    assert {band.p_adjusted for band in found[5].bands} == {None}
    assert not found[5].overall.resolved
    assert found[8].overall.resolved
    assert [band.p_adjusted for band in found[10].bands] == [band.p_adjusted for band in found[8].bands]
    assert found[10].overall.low_pct != found[8].overall.low_pct


def test_a_pull_dropped_later_moves_no_look_and_it_is_said() -> None:
    """Pulls are counted as they were made; a drop replays the verdicts."""
    rows = [(("heron", "plover")[n % 2], (1.0, 1.05)[n % 2] * (1 + 0.002 * (n % 3 - 1))) for n in range(12)]
    pulls = day(rows)
    pulls[3] = replace(pulls[3], keep=False)

    result = compare(pulls, "heron", "plover")

    assert result.look == 12
    assert "looks-replayed" in {one.code for one in result.findings}


def test_the_shape_is_resolved_in_any_order_and_no_shift_of_the_whole_curve_makes_it() -> None:
    """3 % more in the middle, in blocks of twelve, with a drift of 2 %: the bands that gained are found."""

    def hump(rpm: np.ndarray) -> np.ndarray:
        return 1 + 0.03 * np.exp(-(((rpm - 4000) / 500) ** 2))

    rng = np.random.default_rng(3)
    pulls = []
    for n, made in enumerate(day([(("heron", "plover")[n // 12], 1.0) for n in range(24)])):
        wave = 1 + 0.003 * np.sin(made.speed_rpm / 300 + rng.uniform(0, 6)) + rng.normal(0, 0.008) + 0.02 * n / 23
        pulls.append(replace(made, load=wave * (hump(made.speed_rpm) if n > 11 else 1.0)))

    result = compare(pulls, "heron", "plover")

    assert result.order_only
    assert not result.overall.resolved
    found = [band.rpm for band in result.shape.bands if band.resolved and band.change_pct > 0]
    assert found
    assert all(3300 < rpm < 4700 for rpm in found)
    flat = [
        replace(made, load=1.0 + 0.003 * np.sin(made.speed_rpm / 300 + n) + 0.002 * n) for n, made in enumerate(pulls)
    ]
    assert not compare(flat, "heron", "plover").shape.resolved


def test_tunes_are_compared_at_equal_manifold_pressure_only() -> None:
    """5 % more boost above 4 000 rpm: no change in % there, and it is named; 0.5 % is nothing."""

    def driven(boost: float) -> list[PullTrace]:
        result = []
        for made in day(IN_TURN * 2):
            more = boost * (made.speed_rpm > 4000) * (made.tune == "plover")
            result.append(replace(made, pressure_kpa=150.0 * (1 + more), load=made.load * (1 + more)))
        return result

    unequal, equal = (compare(driven(boost), "heron", "plover") for boost in (0.05, 0.005))

    above = [band for band in unequal.bands if band.rpm > 4250]
    assert above
    assert all(band.change_pct is band.p_adjusted is None and not band.resolved for band in above)
    assert above[0].pressure_kpa == pytest.approx((150.0, 157.5))
    assert "unequal-boost" in {one.code for one in unequal.findings}
    assert "unequal-boost" not in {one.code for one in equal.findings}
    assert equal.bands[-1].change_pct is not None


def test_without_a_zero_the_change_is_of_load_as_recorded() -> None:
    """No zero: the change is of load as recorded, with a warning."""
    assert said(compare(day(IN_TURN), "heron", "plover"), "as recorded")
    zeroed = with_zero(day(IN_TURN), 0.001)
    assert not said(compare(zeroed, "heron", "plover"), "as recorded")
    half = [*zeroed[:1], *day(IN_TURN)[1:]]
    assert said(compare(half, "heron", "plover"), "some sessions have no zero")


def test_heat_soak_is_named() -> None:
    """A load that falls with the order of the pulls is named."""
    rows = [(tune, level * (1 - 0.01 * index)) for index, (tune, level) in enumerate(IN_TURN)]

    assert said(compare(day(rows), "heron", "plover"), "order drift")
    assert not said(compare(day(IN_TURN), "heron", "plover"), "order drift")


def test_pulls_of_different_gears_never_mix() -> None:
    """Pulls in another gear are left out and named."""
    pulls = [
        *day(IN_TURN),
        pull("heron", 9.0, gear=2, session="s1"),
        pull("plover", 9.0, gear=2, session="s2"),
    ]

    result = compare(pulls, "heron", "plover")

    assert result.bands[0].base_mean == pytest.approx(reference.gmean(HERON))
    assert said(result, "2 pull(s) in gear 2 left out")


def test_gears_that_nobody_declared_are_told_by_rate_of_gain() -> None:
    """A gear that nobody declared shows in how fast speed rises."""
    pulls = [replace(made, gear=None) for made in day(IN_TURN)]
    pulls += [pull("heron", 9.0, rate=1000, gear=None), pull("plover", 9.0, rate=1100, gear=None)]

    result = compare(pulls, "heron", "plover")

    assert (result.pulls.base, result.pulls.trial) == (4, 4)
    assert said(result, "by their rate of gain")


def test_no_gear_in_common_is_refused() -> None:
    """Tunes without a gear in common cannot be compared."""
    with pytest.raises(InputError, match="no gear in which every tune"):
        compare([pull("heron", gear=2), pull("plover", gear=3)], "heron", "plover")


def crossing(rpm: np.ndarray) -> np.ndarray:
    return (rpm - 4000) / 2000


def test_no_change_in_per_cent_where_load_crosses_zero() -> None:
    """Per cent of a load near zero is no figure."""
    pulls = [replace(made, load=made.load * crossing(made.speed_rpm)) for made in day(IN_TURN)]

    result = compare(pulls, "heron", "plover")

    near = [band for band in result.bands if abs(band.rpm - 4000) < 150]
    assert near
    assert all(band.change_pct is band.p_adjusted is None and not band.resolved for band in near)
    assert said(result, "crosses zero")
    assert result.bands[-1].change_pct == pytest.approx(
        100 * (reference.gmean(PLOVER) / reference.gmean(HERON) - 1), abs=1e-6
    )


def test_a_link_read_the_wrong_way_round_gives_the_same_change() -> None:
    """The sign of the link does not turn the change over."""
    plain = compare(day(IN_TURN), "heron", "plover")

    turned = compare([replace(made, load=-made.load) for made in day(IN_TURN)], "heron", "plover")

    assert turned.overall == plain.overall
    assert said(turned, "negative throughout")


def test_flawed_pulls_count_only_when_kept_by_hand() -> None:
    """A flawed pull counts only where a person keeps it."""
    bad = pull("heron", 3.0, verdict="flawed", faults=("wheelspin",), session="s1", started=1.0)

    assert compare([*day(IN_TURN), bad], "heron", "plover").pulls.base == 4
    kept = compare([*day(IN_TURN), replace(bad, keep=True)], "heron", "plover")
    assert kept.pulls.base == 5
    assert said(kept, "flawed")
    assert compare([replace(day(IN_TURN)[0], keep=False), *day(IN_TURN)[1:]], "heron", "plover").pulls.base == 3


@pytest.mark.parametrize(
    ("pulls", "words"),
    [
        ([], "no pull at all"),
        (day([("heron", 1.0)]), "'plover'"),
        ([pull("heron"), pull("plover", verdict="flawed", faults=("lift",))], "no clean pull .lift"),
        ([pull("heron", unit="N"), pull("plover")], "load units"),
        ([pull("heron", car="a"), pull("plover", car="b")], "cars"),
    ],
)
def test_what_cannot_be_compared_is_refused_in_words(pulls: list[PullTrace], words: str) -> None:
    """What cannot be compared is one line with the cure."""
    with pytest.raises(InputError, match=words):
        compare(pulls, "heron", "plover")


def test_identical_pulls_of_one_tune_under_two_names_are_not_resolved() -> None:
    """The same pulls under two names differ by nothing."""
    rows = [(tune, 1.0) for tune in ("heron", "plover") * 3]

    result = compare(day(rows), "heron", "plover")

    assert not any(band.resolved for band in result.bands)
    assert not result.overall.resolved


def test_more_pulls_resolve_less_and_the_range_for_two_per_cent_holds_the_plan() -> None:
    """More pulls resolve a smaller change, and the stated range of pulls holds the plan's number."""
    few, many = (compare(day(IN_TURN * n), "heron", "plover") for n in (1, 4))

    assert many.smallest_resolvable_pct < few.smallest_resolvable_pct
    low, high = few.pulls_for_2_pct
    assert 2 <= low < high


def test_short_pulls_are_left_out_of_the_overall_change_and_kept_in_their_bands() -> None:
    """A short pull counts in its bands, not in the overall change."""
    short = pull("heron", 1.0, start_rpm=5000, session="s1", started=1.0)

    result = compare([*day(IN_TURN), short], "heron", "plover")

    assert said(result, "1 short pull")
    assert [band.base_n for band in result.bands][-1] == 5
    assert result.bands[0].base_n == 4


def test_a_lags_doubt_enters_where_load_slopes_and_the_tunes_gain_differently() -> None:
    """An unsure lag matters where load slopes and the tunes gain speed differently."""

    def slope(rpm: np.ndarray) -> np.ndarray:
        return rpm / 4000

    turns = [("heron", 1.0, 400), ("plover", 1.0, 800), ("heron", 1.0001, 400), ("plover", 1.0001, 800)]

    def driven(doubt: float) -> list[PullTrace]:
        return [
            pull(tune, level, slope, rate=rate, session=f"s{index}", started=float(index), u_lag_s=doubt)
            for index, (tune, level, rate) in enumerate(turns)
        ]

    quiet = replace(PRIOR, band=Component(1e-4, 1e-4), pull_df=1e9, turn_df=1e9)
    sharp, doubtful = (compare(driven(doubt), "heron", "plover", scatter=quiet) for doubt in (0.0, 0.05))

    band = doubtful.bands[4]
    assert sharp.bands[4].high_pct < 0.1
    assert band.high_pct == pytest.approx(100 * 1.96 * 0.05 * (800 - 400) / band.rpm, rel=0.03)


def test_air_correction_needs_a_zero_and_every_session_and_says_when_it_changes_the_verdict() -> None:
    """Air is corrected for all sessions or none, needs a zero, and says where it turns the verdict."""
    pulls = with_zero(day(IN_TURN), 0.001)
    sessions = dict.fromkeys((made.session for made in pulls), 1.0)
    with pytest.raises(InputError, match="needs a zero"):
        compare(day(IN_TURN), "heron", "plover", air=sessions)
    with pytest.raises(InputError, match="no air reading"):
        compare(pulls, "heron", "plover", air={"s1": 1.0})

    away = {made.session: 1.0 if made.tune == "heron" else 1 / 1.034 for made in pulls}
    pulls = with_zero(day(IN_TURN * 2), 0.001)
    away = {made.session: 1.0 if made.tune == "heron" else 1 / 1.034 for made in pulls}
    result = compare(pulls, "heron", "plover", air=away)

    assert not result.overall.resolved
    assert said(result, "changes the verdict")


def test_what_else_differs_is_named() -> None:
    """Other channels, lags and calibrations on the two sides are named."""
    base = [pull(conditions={"lambda": 0.88, "air_c": 20.0}), pull(conditions={"lambda": 0.87})]
    trial = [pull("plover", conditions={"lambda": 0.95, "air_c": 20.5}, direction="back")]

    found = differences(base, trial)

    assert [(one.code, one.values["what"]) for one in found] == [("not-tune-alone", "lambda")]
    assert "mixture" in say_all(found)[0]


@pytest.mark.parametrize("doubt", [0.0, 0.001, 0.003, 0.01, 0.03])
def test_a_stated_doubt_never_narrows_an_interval(doubt: float) -> None:
    """Adding uncertainty never makes an interval narrower."""
    rows = [("heron", 1.0), ("heron", 1.01), ("plover", 1.0), ("plover", 1.01)]
    plain = compare(day(rows), "heron", "plover").overall

    doubtful = compare(with_zero(day(rows), doubt), "heron", "plover").overall

    assert doubtful.high_pct >= plain.high_pct - 1e-9


def test_bands_wider_than_any_pull_are_named_and_nothing_is_made_up() -> None:
    """Bands that no pull crosses whole give nothing, and that is said."""
    result = compare(day(IN_TURN), "heron", "plover", width=20000)

    assert result.bands == ()
    assert result.overall.change_pct is result.smallest_resolvable_pct is None
    assert said(result, "cross no whole band")
    assert said(result, "nothing to compare")


def test_a_pull_without_load_is_named_and_harms_nothing() -> None:
    """A pull without load is left out and named."""
    pulls = day(IN_TURN)
    pulls[0] = replace(pulls[0], load=np.full(len(pulls[0].load), np.nan))

    result = compare(pulls, "heron", "plover")

    assert said(result, "1 pull(s) cross no whole band")
    assert result.bands[0].base_n == 3
    assert result.overall.low_pct is not None


def test_tunes_whose_pulls_share_no_band_are_shown_and_not_compared() -> None:
    """Tunes without a band in common are shown side by side, without a verdict."""
    pulls = [pull("heron", end_rpm=3900), pull("plover", start_rpm=4000), pull("plover", start_rpm=4010)]

    result = compare(pulls, "heron", "plover")

    assert {band.change_pct for band in result.bands} == {None}
    assert said(result, "nothing to compare")


def test_several_tunes_are_one_family_and_ranked_only_where_pairs_are_told_apart() -> None:
    """Three tunes in turn: 0, 5 and 5.3 %; the two that gain are told from the base and not from each other."""
    gains = {"heron": 1.0, "plover": 1.05, "wren": 1.053}
    rng = np.random.default_rng(12)
    rows = [(tune, gains[tune] * np.exp(rng.normal(0, 0.004))) for _ in range(8) for tune in gains]

    result = compare_several(day(rows), "heron", ["plover", "wren"])

    alone = compare(day(rows), "heron", "plover")
    assert result.family == 3
    assert [one.trial for one in result.comparisons] == ["plover", "wren"]
    assert {(pair.more, pair.less) for pair in result.ranked} == {("plover", "heron"), ("wren", "heron")}
    strict = result.comparisons[0].bands[3].p_adjusted
    assert strict == pytest.approx(min(1.0, 3 * alone.bands[3].p_adjusted))


def test_a_tune_that_cannot_be_compared_is_named_and_the_others_are() -> None:
    """One tune in another gear costs nothing to the rest; none left is refused."""
    pulls = [*day(IN_TURN), pull("wren", gear=2, session="w")]

    result = compare_several(pulls, "heron", ["plover", "wren"])

    assert [one.trial for one in result.comparisons] == ["plover"]
    assert "gear" in result.not_compared["wren"]
    with pytest.raises(InputError, match="gear"):
        compare_several([pull("heron"), pull("wren", gear=2)], "heron", ["wren"])
