"""Conversions of light against published values."""

import pytest

from service.agronomy import light


@pytest.mark.parametrize(
    ("source", "umol_per_j", "lux_per_umol"),
    [
        ("sun", 4.57, 54.0),
        ("blue_sky", 4.24, 52.0),
        ("high_pressure_sodium", 4.98, 82.0),
        ("metal_halide", 4.59, 71.0),
        ("cool_white_fluorescent", 4.59, 74.0),
        ("incandescent", 5.00, 50.0),
    ],
)
def test_sources_of_thimijan_and_heins(source, umol_per_j, lux_per_umol):
    """Thimijan & Heins 1983, HortScience 18:818-822, seen second-hand."""
    assert light.ppfd_from_par_w_m2(100.0, source) == pytest.approx(100.0 * umol_per_j, rel=1e-12)
    assert light.par_w_m2_from_ppfd(100.0 * umol_per_j, source) == pytest.approx(100.0, rel=1e-12)
    assert light.ppfd_from_lux(10_000.0, source) == pytest.approx(10_000.0 / lux_per_umol, rel=1e-12)
    assert light.lux_from_ppfd(100.0, source) == pytest.approx(100.0 * lux_per_umol, rel=1e-12)


@pytest.mark.parametrize(
    ("source", "lux_per_umol"),
    [
        ("high_pressure_sodium_double_ended", 77.0),
        ("ceramic_metal_halide_942", 65.0),
        ("ceramic_metal_halide_930", 59.0),
    ],
)
def test_lamps_of_apogee(source, lux_per_umol):
    """Apogee Instruments, conversion of PPFD to illuminance, read in the original."""
    assert light.lux_from_ppfd(1.0, source) == pytest.approx(lux_per_umol, rel=1e-12)


def test_full_sun():
    """Apogee Instruments, read in the original: 2000 µmol m-2 s-1 are 108 000 lux."""
    assert light.ppfd_from_lux(108_000.0, "sun") == pytest.approx(2000.0, rel=1e-12)


@pytest.mark.parametrize(
    ("ppfd", "hours", "dli"), [(200.0, 16.0, 11.52), (250.0, 24.0, 21.6), (300.0, 16.0, 17.28)]
)
def test_daily_light_integral(ppfd, hours, dli):
    """By definition: PPFD x 3600 x h / 10^6."""
    assert light.dli_mol(ppfd, hours) == pytest.approx(dli, rel=1e-12)


def test_photons_in_a_megajoule_of_par():
    """Thimijan & Heins 1983, second-hand: 4.57 mol in 1 MJ of PAR from the sun."""
    assert light.light_mol_from_global_mj(1.0, par_fraction=1.0) == pytest.approx(4.57, rel=1e-12)


def test_global_radiation_of_faust_and_logan():
    """Faust & Logan 2018, HortScience 53:1250-1257, abstract: 0.007265 mol per Wh of global radiation.

    Within 2 %: the same share of PAR, but 4.48 instead of 4.57 µmol in a joule of it.
    """
    assert light.PAR_FRACTION == 0.45
    assert light.dli_mol(light.ppfd_from_global_w_m2(1.0), 1.0) == pytest.approx(0.007265, rel=0.02)


def test_foot_candles_under_sodium_lamps():
    """A rule for high-pressure sodium, second-hand: foot-candles x 0.00047 x hours; 400 for 12 h: 2.3 mol.

    Within 1 %; a foot-candle is 10.764 lux.
    """
    ppfd = light.ppfd_from_lux(400.0 * 10.764, "high_pressure_sodium")
    assert light.dli_mol(ppfd, 12.0) == pytest.approx(400.0 * 0.00047 * 12.0, rel=0.01)
    assert light.dli_mol(ppfd, 12.0) == pytest.approx(2.3, abs=0.05)
