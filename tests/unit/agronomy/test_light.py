"""Light units: inverses, chains and refusals. Published values: tests/science/test_light_units.py."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from service.agronomy import light

amounts = st.floats(0.0, 1e6)
sources = st.sampled_from(sorted(light.SOURCES))
lux_sources = st.sampled_from(sorted(n for n, s in light.SOURCES.items() if s.lux_per_umol is not None))


@settings(deadline=None)
@given(amounts, sources)
def test_ppfd_and_par_are_inverse(ppfd, source):
    par = light.par_w_m2_from_ppfd(ppfd, source)
    assert light.ppfd_from_par_w_m2(par, source) == pytest.approx(ppfd, rel=1e-12)


@settings(deadline=None)
@given(amounts, lux_sources)
def test_ppfd_and_lux_are_inverse(ppfd, source):
    lux = light.lux_from_ppfd(ppfd, source)
    assert light.ppfd_from_lux(lux, source) == pytest.approx(ppfd, rel=1e-12)


@settings(deadline=None)
@given(amounts)
def test_one_par_fraction_along_the_chain(global_w_m2):
    """PAR from the PPFD of global radiation is the share of PAR, whichever way it was converted."""
    ppfd = light.ppfd_from_global_w_m2(global_w_m2)
    assert light.par_w_m2_from_ppfd(ppfd) == pytest.approx(light.PAR_FRACTION * global_w_m2, rel=1e-12)


@settings(deadline=None)
@given(st.floats(0.0, 1500.0), st.floats(0.0, 24.0))
def test_power_over_time_and_energy_are_the_same_photons(global_w_m2, hours):
    by_power = light.dli_mol(light.ppfd_from_global_w_m2(global_w_m2), hours)
    by_energy = light.light_mol_from_global_mj(global_w_m2 * hours * 3600.0 / 1e6)
    assert by_power == pytest.approx(float(by_energy), rel=1e-12, abs=1e-15)


def test_another_par_fraction():
    assert light.ppfd_from_global_w_m2(100.0, 0.5) == pytest.approx(50.0 * 4.57)
    assert light.light_mol_from_global_mj(1.0, 0.5) == pytest.approx(0.5 * 4.57)


def test_shapes_are_kept():
    values = np.arange(6.0).reshape(2, 3)
    assert_allclose(light.ppfd_from_par_w_m2(values), values * 4.57)
    assert light.ppfd_from_lux(values, "sun").shape == (2, 3)
    assert light.dli_mol(values, [8.0, 16.0, 24.0]).shape == (2, 3)
    assert light.dli_mol([], 24.0).shape == (0,)


def test_lux_of_red_and_blue_leds_is_not_converted():
    with pytest.raises(ValueError, match="lux says nothing about the photons of 'red_blue_led'"):
        light.ppfd_from_lux(1000.0, "red_blue_led")
    with pytest.raises(ValueError, match="red_blue_led"):
        light.lux_from_ppfd(100.0, "red_blue_led")


def test_unknown_sources_are_named():
    with pytest.raises(ValueError, match=r"'candle' is not a light source; sources are sun, "):
        light.ppfd_from_par_w_m2(1.0, "candle")
    with pytest.raises(ValueError, match="'candle'"):
        light.ppfd_from_lux(1.0, "candle")


def test_photons_stay_within_what_energy_allows():
    """A joule of 400 nm is 3.34 µmol and one of 700 nm is 5.85 µmol: wavelength in nm over 119.63."""
    for name, source in light.SOURCES.items():
        assert 400.0 / 119.627 < source.umol_per_j < 700.0 / 119.627, name
