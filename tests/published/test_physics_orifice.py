"""Flow through a hole against published and reference values."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipeline.physics.blow_down import decay_time_s, leak_coefficient, leak_diameter_mm
from pipeline.physics.certification import effective_diameter_in, flow_of_diameter_m3_s
from pipeline.physics.orifice import (
    air_density,
    air_viscosity,
    discharge_at,
    hole_area_m2,
    hole_diameter_mm,
    leak_speed,
    mass_flow_incompressible,
    mass_flow_isentropic,
    nozzle_series,
)
from pipeline.physics.vapor import warming_rise_pa

INCH_OF_WATER_PA = 249.0889  # conventional; NIST SP 811, appendix B.8
MM_PER_INCH = 25.4

# Isothermal blow-down from 14 to 8 inches of water, Cd 0.61, air 1.184 kg/m3, 101325 Pa: seconds, derived by
# hand from the textbook orifice equation. Rows: hole [in]; columns: volume [l].
VOLUMES_L = [10, 20, 30, 40, 60]
BLOW_DOWN_S = {
    0.010: [70.8, 141.6, 212.5, 283.3, 424.9],
    0.020: [17.7, 35.4, 53.1, 70.8, 106.2],
    0.040: [4.4, 8.9, 13.3, 17.7, 26.6],
}


@pytest.mark.parametrize(("inches", "seconds"), BLOW_DOWN_S.items())
def test_blow_down_from_14_to_8_inches_of_water_takes_the_tabled_time(inches, seconds):
    k = leak_coefficient(inches * MM_PER_INCH, VOLUMES_L, 1.184, 101_325)
    time = decay_time_s(14 * INCH_OF_WATER_PA, 8 * INCH_OF_WATER_PA, k)
    assert_allclose(time, seconds, atol=0.051)


def test_blow_down_time_goes_with_volume_and_with_the_inverse_square_of_the_diameter():
    def time(diameter_mm, volume_l):
        return decay_time_s(-3487, -1993, leak_coefficient(diameter_mm, volume_l, 1.184, 101_325))

    assert time(0.508, 60) == pytest.approx(2 * time(0.508, 30))
    assert time(1.016, 30) == pytest.approx(time(0.508, 30) / 4)


def test_thirty_liters_lose_14_to_8_inches_in_two_minutes_through_0_0133_inch():
    k = 2 * (np.sqrt(14) - np.sqrt(8)) * np.sqrt(INCH_OF_WATER_PA) / 120
    assert leak_diameter_mm(k, 30, 1.184, 101_325) / MM_PER_INCH == pytest.approx(0.0133, abs=5e-5)


def test_the_printed_example_of_40_cfr_1066_985_gives_0_017_inch():
    diameter = effective_diameter_in(0.8e-5, 104.294, 101.332, 298.15, 0.967)
    assert diameter == pytest.approx(0.017, abs=5e-4)
    assert diameter == pytest.approx(0.017175, abs=1e-6)
    assert flow_of_diameter_m3_s(diameter, 104.294, 101.332, 298.15, 0.967) == pytest.approx(0.8e-5)


def test_1066_985_nitrogen_flows_of_standard_holes():
    # cm3/min at 101.325 kPa and 25 °C, computed by hand from the rule's equation.
    inlet = 101.325 + np.array([1, 4, 8, 14, 30]) * INCH_OF_WATER_PA / 1000
    small = flow_of_diameter_m3_s(0.020, inlet, 101.325, 298.15) * 6e7
    large = flow_of_diameter_m3_s(0.040, inlet, 101.325, 298.15) * 6e7
    assert_allclose(small, [186.8, 374.4, 530.8, 704.7, 1041.5], rtol=5e-4)
    assert_allclose(large, [735.8, 1474.3, 2090.1, 2775.0, 4101.3], rtol=5e-4)
    assert np.isnan(effective_diameter_in(1e-5, 101.0, 101.325, 298.15))


def test_flow_of_a_0_508_mm_hole_at_2500_pa():
    # CoolProp: 1.234307 kg/m3 upstream at 103825 Pa and 293.15 K; incompressible flow equal to
    # fluids.flow_meter_discharge(C=0.61, expansibility=1).
    area = hole_area_m2(0.508)
    assert area == pytest.approx(2.026830e-7, rel=1e-6)
    assert mass_flow_incompressible(area, 103_825, 101_325, 1.234307, 1.0) == pytest.approx(
        1.592260e-5, rel=1e-6
    )
    incompressible = mass_flow_incompressible(area, 103_825, 101_325, 1.234307, 0.61)
    assert incompressible == pytest.approx(9.712785e-6, rel=1e-6)
    isentropic = mass_flow_isentropic(area, 103_825, 101_325, 20.0, 0.61)
    assert isentropic == pytest.approx(9.584947e-6, rel=5e-4)
    ideal = mass_flow_incompressible(area, 103_825, 101_325, air_density(103_825, 20.0), 0.61)
    # fluids.nozzle_expansibility 0.987035; 0.986838 against CoolProp's real-gas density.
    assert isentropic / ideal == pytest.approx(0.987035, abs=3e-5)
    assert mass_flow_incompressible(hole_area_m2(1.016), 103_825, 101_325, 1.234307, 0.61) == pytest.approx(
        3.885114e-5, rel=1e-6
    )


def test_air_density_of_the_standard_atmosphere():
    assert air_density(101_325, 15.0) == pytest.approx(1.2250, abs=5e-5)  # US Standard Atmosphere 1976, z = 0


def test_flow_through_a_hole_against_the_fluids_library():
    fluids = pytest.importorskip("fluids")
    flow = fluids.flow_meter.flow_meter_discharge(
        D=1e6, Do=0.508e-3, P1=103_825.0, P2=101_325.0, rho=1.234307, C=0.61, expansibility=1.0
    )
    ours = mass_flow_incompressible(hole_area_m2(0.508), 103_825, 101_325, 1.234307, 0.61)
    assert ours == pytest.approx(flow, rel=1e-9)


def test_flow_chokes_at_the_critical_ratio_of_air():
    area = hole_area_m2(1.0)
    at_limit = mass_flow_isentropic(area, 1e5, 0.52828e5, 20.0, 1.0)
    assert mass_flow_isentropic(area, 1e5, 1e3, 20.0, 1.0) == pytest.approx(at_limit, rel=1e-6)
    assert mass_flow_isentropic(area, 1e5, 1e5, 20.0, 1.0) == 0


def test_sealed_gas_rises_339_8_pa_for_one_kelvin():
    # dp = p dT / T at 101325 Pa and 298.15 K: 1.36 inches of water.
    rise = warming_rise_pa(1.0, 101_325, 25.0)
    assert rise == pytest.approx(339.8, abs=0.1)
    assert rise / INCH_OF_WATER_PA == pytest.approx(1.36, abs=0.005)


def test_results_do_not_depend_on_the_unit_the_pressure_came_in():
    in_inches = decay_time_s(-14 * INCH_OF_WATER_PA, -8 * INCH_OF_WATER_PA, 0.1)
    in_kpa = decay_time_s(-3.4872446e3, -1.9927112e3, 0.1)
    assert in_inches == pytest.approx(in_kpa, rel=1e-9)
    inch, mm = hole_diameter_mm(hole_area_m2(0.02 * MM_PER_INCH)), 0.508
    assert inch == pytest.approx(mm, rel=1e-12)


def test_leak_speed_tends_to_the_textbook_orifice_at_small_pressure():
    density = air_density(101_325, 25.0)
    assert leak_speed(-1.0, 101_325, 25.0) == pytest.approx(101_325 * np.sqrt(2 / density), rel=1e-4)
    assert leak_speed(1.0, 101_325, 25.0) == pytest.approx(-101_325 * np.sqrt(2 / density), rel=1e-4)
    assert leak_speed(0.0, 101_325, 25.0) == 0


def test_viscosity_of_air_is_that_of_the_standard_atmosphere():
    """US Standard Atmosphere 1976 at sea level, 15 °C: 1.7894e-5 Pa s to five digits; 20 °C by its constants."""
    assert_allclose(air_viscosity([15.0, 20.0]), [1.7894e-5, 1.813406e-5], rtol=3e-5)


def test_reynolds_number_of_a_half_millimeter_hole_lowers_its_discharge_by_half_a_percent():
    """0.508 mm at 2500 Pa: Re 2192 (fluids.Reynolds, 1.234307 kg/m3, 1.820568e-5 Pa s, 63.646 m/s)."""
    cd = discharge_at(0.508, 2500.0, 1.234307, 1.820568e-5, 0.61)
    s = 6 * np.pi * 0.61 / 2192.02
    assert_allclose(cd, 0.61 * (np.sqrt(1 + s**2) - s), rtol=1e-6)


def test_a_creeping_flow_is_sampsons():
    """Q = drop d^3 / (24 mu), R. A. Sampson (1891), from memory: a hole of 0.01 mm at 0.01 Pa (Re 0.008)."""
    d, drop, rho, mu = 1e-5, 0.01, 1.2, 1.8e-5
    flow = discharge_at(d * 1e3, drop, rho, mu, 0.61) * np.pi / 4 * d**2 * np.sqrt(2 * drop / rho)
    assert_allclose(flow, drop * d**3 / (24 * mu), rtol=1e-4)


def test_a_creeping_flow_through_a_long_hole_is_poiseuilles():
    """drop = 128 mu l Q / (pi d^4), Hagen and Poiseuille; the entrance adds 0.6 % to a hole of 100 diameters."""
    d, drop, rho, mu = 1e-5, 0.01, 1.2, 1.8e-5
    cd = discharge_at(d * 1e3, drop, rho, mu, 0.61, wall_share=100.0)
    flow = cd * np.pi / 4 * d**2 * np.sqrt(2 * drop / rho)
    assert_allclose(flow, np.pi * d**4 * drop / (128 * mu * 100 * d), rtol=7e-3)


def test_discharge_of_many_holes_rises_to_its_textbook_value_and_is_0_without_a_drop():
    cd = discharge_at(1.0, [0.0, 1.0, 100.0, 1e4, 1e8], 1.2, 1.8e-5, 0.61)
    assert cd[0] == 0
    assert np.all(np.diff(cd) > 0)
    assert_allclose(cd[-1], 0.61, rtol=1e-4)


@pytest.mark.parametrize("gauge", [-20_000.0, -2_500.0, -1.0, 1.0, 3_487.0, 20_000.0])
def test_the_series_of_the_isentropic_flow_is_the_flow(gauge):
    upstream = 101_325.0 + max(gauge, 0.0)
    drop = abs(gauge) / upstream
    series = np.polyval(nozzle_series(7)[::-1], drop)
    speed = upstream * np.sqrt(287.05287 * 293.15 * drop * series)
    assert_allclose(speed, abs(leak_speed(gauge, 101_325.0, 20.0)), rtol=1e-6)
