"""Units on the way to the one that is kept."""

from __future__ import annotations

import pytest

from service.agronomy import light
from service.work.quantities import QUANTITIES, convert, line, plausible_range, unit_problem


@pytest.mark.parametrize(
    ("quantity", "unit", "source", "value", "kept"),
    [
        ("temp_air_c", "degC", "sun", 21.5, 21.5),
        ("temp_air_c", "degF", "sun", 212.0, 100.0),
        ("temp_air_c", "degF", "sun", -40.0, -40.0),
        ("temp_solution_c", "K", "sun", 273.15, 0.0),
        ("humidity_pct", "1", "sun", 0.65, 65.0),
        ("humidity_pct", "%", "sun", 65.0, 65.0),
        ("co2_ppm", "ppm", "sun", 800.0, 800.0),
        ("ph", "pH", "sun", 5.8, 5.8),
        ("ec_ms_cm", "uS cm-1", "sun", 1800.0, 1.8),
        ("ec_ms_cm", "mS cm-1", "sun", 1.8, 1.8),
        ("ppfd_umol", "umol m-2 s-1", "high_pressure_sodium", 200.0, 200.0),
        # Sun and sky: 4.57 umol a joule of PAR, 54 lx a umol (Thimijan & Heins 1983, HortScience 18:818-822).
        ("ppfd_umol", "W m-2 PAR", "sun", 100.0, 457.0),
        ("ppfd_umol", "lx", "sun", 54_000.0, 1000.0),
        ("ppfd_umol", "klx", "sun", 54.0, 1000.0),
        ("ppfd_umol", "W m-2 PAR", "high_pressure_sodium", 100.0, 498.0),
        ("ppfd_umol", "klx", "high_pressure_sodium", 16.4, 200.0),
        # With 45 % of global radiation in PAR.
        ("ppfd_umol", "W m-2", "sun", 100.0, 45.0 * 4.57),
        ("ppfd_umol", "MJ m-2", "sun", 1.0, 0.45 * 4.57),
        ("ppfd_umol", "J cm-2", "sun", 1000.0, 10 * 0.45 * 4.57),
        ("ppfd_umol", "mol m-2", "sun", 17.0, 17.0),
    ],
)
def test_values_become_the_unit_kept(
    quantity: str, unit: str, source: str, value: float, kept: float
) -> None:
    assert convert(quantity, unit, source, [value, value]) == pytest.approx([kept, kept], rel=1e-12, abs=1e-9)


def test_the_unit_kept_is_accepted_as_it_is() -> None:
    for quantity in QUANTITIES.values():
        assert unit_problem(quantity.name, quantity.unit, "instant") is None
        assert line(quantity.name, quantity.unit).scale == 1.0
        assert line(quantity.name, quantity.unit).offset == 0.0


@pytest.mark.parametrize(
    ("quantity", "unit", "sampling", "source", "says"),
    [
        ("wind", "m s-1", "instant", "sun", "'wind' is not a quantity"),
        ("temp_air_c", "C", "instant", "sun", "units are degC, degF, K"),
        ("temp_air_c", "degC", "hourly", "sun", "ways are instant, mean, change, total"),
        ("temp_air_c", "degC", "total", "sun", "has no running total"),
        ("ppfd_umol", "J cm-2", "instant", "sun", "needs sampling 'total'"),
        ("ppfd_umol", "W m-2", "total", "sun", "units are J cm-2, MJ m-2, mol m-2"),
        ("ppfd_umol", "lx", "instant", "moonlight", "'moonlight' is not a light source"),
    ],
)
def test_what_does_not_go_together_is_named(
    quantity: str, unit: str, sampling: str, source: str, says: str
) -> None:
    problem = unit_problem(quantity, unit, sampling, source)
    assert problem is not None
    assert says in problem


def test_lux_of_a_source_that_lux_says_nothing_about_is_refused() -> None:
    coloured = [name for name, source in light.SOURCES.items() if source.lux_per_umol is None]
    assert coloured, "red and blue LEDs are among the sources"
    for name in coloured:
        for unit in ("lx", "klx"):
            assert "lux says nothing" in (unit_problem("ppfd_umol", unit, "instant", name) or "")
            with pytest.raises(ValueError, match="lux says nothing"):
                line("ppfd_umol", unit, name)
        assert unit_problem("ppfd_umol", "umol m-2 s-1", "instant", name) is None


def test_global_radiation_is_the_suns_alone() -> None:
    lamp = next(name for name in light.SOURCES if name != "sun")
    assert "global radiation" in (unit_problem("ppfd_umol", "W m-2", "instant", lamp) or "")
    assert "global radiation" in (unit_problem("ppfd_umol", "J cm-2", "total", lamp) or "")


def test_bright_lux_are_no_plausible_photon_flux() -> None:
    low, high = plausible_range("ppfd_umol", "instant")
    assert low < 0.0
    assert 2200.0 < high < 5000.0, "the sun behind clouds, and no more"
    assert plausible_range("ppfd_umol", "total")[1] > 12_000.0


@pytest.mark.parametrize(("quantity", "unit"), [("wind", "m s-1"), ("temp_air_c", "lx")])
def test_an_unknown_conversion_raises(quantity: str, unit: str) -> None:
    with pytest.raises(ValueError, match="is not a"):
        convert(quantity, unit, "sun", [1.0])
