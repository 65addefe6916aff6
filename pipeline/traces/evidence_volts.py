"""What a technician would say of a sensor whose volts do not go with its pressure, with the numbers."""

from __future__ import annotations

from pipeline.traces.quantities import pressures, rounded
from pipeline.traces.written import Readings, Text, choose, counted, fixed, say, signed, where_known


def disagrees(r: Readings) -> Text:
    """Say where volts and pressure tell different stories."""
    pa, volts = (
        say("moved by {} Pa", rounded(r["pressure_range"])),
        say("moved by {} V", fixed(r["volt_range"], 3)),
    )
    flat_volts = say(
        "The pressure {} while the sensor's output {}.",
        *(where_known(pa, "moved"), where_known(say("{} only", volts), "hardly moved")),
    )
    flat_pressure = say(
        "The sensor's output {} while the pressure {}.",
        *(where_known(volts, "moved"), where_known(say("{} only", pa), "hardly moved")),
    )
    off_norm = say(
        "The sensor moves {} V per kPa where this model's sensors move {} ({} vehicles agree): they tell different "
        "stories.",
        *(signed(r[name] * 1e3, 2) for name in ("volts_per_pa", "norm_volts_per_pa")),
        counted(r["norm_n"]),
    )
    shifted = say(
        "With the vent open the pressure reads {} but the sensor gives {} V, where this model's sensors give {} V "
        "({} vehicles agree): they tell different stories.",
        pressures(r["zero"]),
        *(fixed(r[name], 2) for name in ("rest_v", "norm_rest_v")),
        counted(r["norm_rest_n"]),
    )
    bent = say(
        "Volts and pressure do not follow one straight line: {}{}.",
        where_known(say("readings lie {} Pa off it", rounded(r["residual_pa"])), "they part"),
        where_known(say(", in a range of {} Pa", rounded(r["pressure_range"]))),
    )
    among_odd = say("One of this model's sensors is odd{}.", parted(r))
    return choose(
        (r["is_flat_volts"], flat_volts),
        (r["is_flat_pressure"], flat_pressure),
        (r["is_off_norm"] & off_norm.known, off_norm),
        (r["is_shifted"] & shifted.known, shifted),
        (r["is_parted"], among_odd),
        otherwise=bent,
    )


def parted(r: Readings) -> Text:
    """Say that no sensor of the model is known to be in order; nothing where that is not so."""
    moves = say(
        "; this sensor moves {} V per kPa, and no two vehicles of its model agree",
        signed(r["volts_per_pa"] * 1e3, 2),
    )
    return choose((r["is_parted"], where_known(moves)))
