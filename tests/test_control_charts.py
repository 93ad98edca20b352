"""Control charts against the NIST/SEMATECH e-Handbook's worked examples, tables, and scipy."""

from random import Random

import pytest
from scipy import integrate, stats

from recipes.control_charts import (
    BEYOND,
    D2,
    D2_MEDIAN,
    D4,
    EIGHT,
    FOUR_OF_FIVE,
    TWO_OF_THREE,
    Signal,
    capability,
    chi_square_at,
    cp_interval,
    ewma,
    ewma_half_width,
    individuals,
    run_length,
    sigma_without_strays,
    signals,
)

FLOWRATE = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
"""e-Handbook 6.3.2.2, and the last ten of 6.3.2.4."""

EARLIER = (52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5)
"""e-Handbook 6.3.2.4: the ten values before them."""

CHECK_STANDARD = """
51836 49785 47795 49223 52728 50172 49191 46912 49717 46766 52115 52576 43922 49868 50119 50662
43984 46826 46286 43884 45812 47232 44036 51258 51992 50532 43229 43039 43908 44265 50940 42423
50140 43997 51249 44913 46149 45838 45370 44111 49213 39213 41918 44048 45164 44348 46043 45428
44764 45455 49673 47514 49357 50361 48108 50317 45445 48382 50324 50624 45943 49146 47940 52737
46800 45857 45041 50471 49776 45337 46320 49746 49578 48234 52780 51346 51361 52000 48437 50596
49994 45018 51104 46231 50418 45169 52187 45963 51361 46240 52267 51634 45103 45056 48777 46407
49652 42983 51739
46179 50977 52705 46708 45906 47887 49657 45073 45205 44903 47174 48791 44142 43279 43431 51034
48098 46938 49175 46907 46479 47025 43449 52758 45366 43107 41757 44877 50286 53529 46749 43112
45043 44215 46783 47338 42965 42965 48007 54186 45274 44563 47038 45087 45068 53248 54010 51144
45766 45766 52988 40143 47424 43668 37900 42834 53802 40812 43325 42678 42678 41479 42376 45083
41340 44090 43733 44411 44415 44415 55097 47477 44680 44596 44680 40648 39246 40120 42234 37848
44577 47299 44447 46441 46499 42126 43429 42879 48356 44399 46733 44769 41426 39112 44205 42656
40541 44178 41108 41254 43138 45783 47197 46213 45791 45214 46248 50108 43155 44742 43895 41520
39467 43458 41401 44789 43033 43883
"""
"""e-Handbook 2.3.5.2, data set MASS: a kilogram's check standard on one balance, 1975 to 1988; the
decimals of -19.xxxxx mg in order of time. The first 99 are up to the end of 1984."""


def check_standard():
    values = [-19 - int(word) / 1e5 for word in CHECK_STANDARD.split()]
    assert len(values) == 217
    return values[:99], values[99:]


# --- individuals ---------------------------------------------------------------------------------


def test_a_chart_of_individuals_has_the_handbooks_limits():
    chart = individuals(FLOWRATE)
    assert chart.mean == pytest.approx(50.81, abs=5e-5)
    assert chart.range_mean == pytest.approx(1.8778, abs=5e-5)
    assert (chart.low, chart.high) == pytest.approx((45.8159, 55.8041), abs=5e-5)
    assert chart.range_high == pytest.approx(6.1347, abs=5e-5)
    assert chart.ranges[:2] == pytest.approx((2.0, 2.3))
    assert chart.rough


def test_the_constants_are_those_of_the_tables():
    """ASTM E2587 and ISO 7870-2, from memory; d2 and d3 worked out anew by quadrature."""
    half_normal = stats.halfnorm(scale=2**0.5)  # the range of two standard normal values
    d2 = integrate.quad(lambda x: x * half_normal.pdf(x), 0, 20)[0]
    d3 = (integrate.quad(lambda x: x * x * half_normal.pdf(x), 0, 20)[0] - d2**2) ** 0.5
    assert round(d2, 3) == D2
    assert abs(1 + 3 * d3 / d2 - D4) < 1e-3
    assert abs(3 / D2 - 2.660) < 5e-4


def test_strays_and_a_shift_do_not_widen_the_sigma_of_the_median_range():
    assert abs(stats.halfnorm(scale=2**0.5).median() - D2_MEDIAN) < 1e-3
    assert sigma_without_strays([1.0, 2.0, 1.0, 9.0, 1.0, 2.0]) == pytest.approx(1 / D2_MEDIAN)
    rng = Random(4)
    values = [rng.gauss(0.0, 0.3) + (5.0 if i >= 300 else 0.0) for i in range(600)]
    assert sigma_without_strays(values) == pytest.approx(0.3, rel=0.1)
    assert sigma_without_strays([7.0], 0.1) == 0.1
    assert sigma_without_strays([7.0, 7.0, 7.0], 0.1) == 0.1


def test_one_value_makes_no_chart():
    with pytest.raises(ValueError, match="two values"):
        individuals([50.0])


# --- weighted averages ---------------------------------------------------------------------------


def test_an_ewma_goes_through_the_handbooks_points():
    printed = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52,
        50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    assert ewma((*EARLIER, *FLOWRATE), 50.0, 0.3) == pytest.approx(printed, abs=5e-3)


def test_its_limits_are_the_handbooks():
    half = ewma_half_width(2.0539, 0.3)
    assert (50 - half, 50 + half) == pytest.approx((47.4115, 52.5884), abs=1e-4)
    points = ewma((*EARLIER, *FLOWRATE), 50.0, 0.3)
    assert all(abs(point - 50) < half for point in points), "the handbook sees no signal"


def test_its_limits_begin_at_those_of_one_value():
    assert ewma_half_width(2.0, 0.3, 3.0, count=1) == pytest.approx(3 * 0.3 * 2.0)
    assert ewma_half_width(2.0, 0.3, 3.0, count=200) == pytest.approx(ewma_half_width(2.0, 0.3))


def test_a_kilogram_that_drifts_is_found_by_its_ewma_and_not_by_single_values():
    """e-Handbook 2.3.5.2: after 1984 hardly a value lies outside, and the average walks off."""
    before, after = check_standard()
    mean, sigma = stats.tmean(before), stats.tstd(before)
    assert (mean, sigma) == pytest.approx((-19.47851, 0.030652), abs=1e-5)
    half = ewma_half_width(sigma)
    assert (mean - half, mean + half) == pytest.approx((-19.50916, -19.44786), abs=1e-5)
    outside = [value for value in after if abs(value - mean) > 3 * sigma]
    assert len(outside) == 2
    out = [i for i, level in enumerate(ewma(after, mean)) if abs(level - mean) > half]
    assert after[out[0]] == -19.42834, "the value of 1986.513"
    assert sum(level > mean for level in ewma(after, mean)) > 0.9 * len(after)


# --- runs ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "found"),
    [
        ((0.1, -3.1), Signal(1, BEYOND, -1)),
        ((2.1, 0.0, 2.1), Signal(2, TWO_OF_THREE, 1)),
        ((1.1, 1.1, -0.5, 1.1, 1.1), Signal(4, FOUR_OF_FIVE, 1)),
        ((-0.1,) * 8, Signal(7, EIGHT, -1)),
    ],
)
def test_each_western_electric_rule(values, found):
    assert signals(values, 0.0, 1.0) == (found,)


@pytest.mark.parametrize(
    "values",
    [(0.1, 2.9), (2.1, 0.0, 1.9), (2.1, 0.0, -2.1), (1.1, 1.1, 0.9, 0.9, 1.1), (0.1,) * 7],
)
def test_what_just_misses_every_rule(values):
    assert signals(values, 0.0, 1.0) == ()


def test_all_rules_together_cry_wolf_once_in_92_values():
    """Champ and Woodall, 1987: 91.75 values on average (e-Handbook 6.3.2, from memory)."""
    rng, lengths = Random(5), []
    for _ in range(600):
        values = [rng.gauss(0, 1) for _ in range(100)]
        while not (found := signals(values, 0.0, 1.0)):
            values += [rng.gauss(0, 1) for _ in range(100)]
        lengths.append(found[0].index + 1)
    assert sum(lengths) / len(lengths) == pytest.approx(91.75, abs=8)


def test_the_length_of_a_run():
    assert run_length([]) == 0
    assert run_length([0.2, -0.1, 0.3, 0.1]) == 2
    assert run_length([0.1, 0.0]) == 0
    assert run_length([-1.0, -2.0, -3.0]) == 3


# --- capability ----------------------------------------------------------------------------------


def test_the_handbooks_capability():
    """e-Handbook 6.1.6: limits 8 and 20, mean 16, standard deviation 2."""
    found = capability(16, 2, 8, 20)
    assert (found.cp, found.cpk, found.cpu, found.cpl, found.k) == pytest.approx(
        (1.0, 0.6667, 0.6667, 1.3333, 0.3333), abs=5e-5
    )


@pytest.mark.parametrize(("sigma", "low", "high"), [(0.0, 8, 20), (-1.0, 8, 20), (2.0, 20, 8)])
def test_no_capability_without_a_spread_and_a_width(sigma, low, high):
    with pytest.raises(ValueError, match="sigma"):
        capability(16, sigma, low, high)


def test_the_interval_of_cp():
    assert cp_interval(1.0, 50) == pytest.approx((0.8025, 1.1971), abs=1e-4)


@pytest.mark.parametrize("freedom", [1, 2, 9, 49, 400])
@pytest.mark.parametrize("share", [0.025, 0.5, 0.975])
def test_chi_square_is_scipys(share, freedom):
    assert chi_square_at(share, freedom) == pytest.approx(stats.chi2.ppf(share, freedom), rel=1e-9)
