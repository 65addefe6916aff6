"""Measured values in service 01 answers: tank pressure, purge duty, fuel level, barometer, ambient, rpm.

Source: SAE J1979 / ISO 15031-5 scaling, from memory (the standard was not read); the arithmetic was checked.
Some tables give PID 54 as (256 A + B) - 32767; that is an error: it is two's complement.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.standards.obd_bytes import parse_bytes


@dataclass(frozen=True)
class Parameter:
    """One parameter of service 01: value = raw * factor + offset, of `n_bytes` big-endian bytes."""

    name: str
    n_bytes: int
    factor: float
    offset: float = 0.0
    is_signed: bool = False


#: PID -> parameter; the name bears the unit
PARAMETERS: dict[int, Parameter] = {
    0x0C: Parameter("engine_rpm", 2, 0.25),
    0x2E: Parameter("purge_duty_pct", 1, 100 / 255),
    0x2F: Parameter("fuel_level_pct", 1, 100 / 255),
    0x30: Parameter("warmups_since_clear", 1, 1.0),
    0x31: Parameter("distance_since_clear_km", 2, 1.0),
    0x32: Parameter("tank_pressure_pa", 2, 0.25, is_signed=True),
    0x33: Parameter("barometric_kpa", 1, 1.0),
    0x46: Parameter("ambient_c", 1, 1.0, -40.0),
    0x53: Parameter("tank_pressure_abs_kpa", 2, 0.005),
    0x54: Parameter("tank_pressure_pa", 2, 1.0, is_signed=True),
}
VALUE_NAMES: tuple[str, ...] = tuple(dict.fromkeys(p.name for p in PARAMETERS.values()))
_HEADER = 0x41
_BETWEEN = re.compile(r"[;|\r\n]+")


def decode_response(text: str) -> dict[str, float]:
    """Decode one or several service 01 answers of one cell.

    Parameters
    ----------
    text : answers separated by ";", "|" or new lines; each is 41 and then PID and data, once or several times
        (several parameters in one answer), in any spelling that `parse_bytes` reads.

    Returns
    -------
    name with unit -> value. Where an answer carries both PID 32 and PID 54, the tank pressure is that of
    PID 32 (steps of 0.25 Pa against 1 Pa).

    Raises
    ------
    ValueError : not hexadecimal, an answer cut short, or a PID that is not in `PARAMETERS`.

    >>> decode_response("41 32 FC 18; 41 33 65")
    {'tank_pressure_pa': -250.0, 'barometric_kpa': 101.0}
    """
    columns, reasons = decode_response_columns([text])
    if reasons[0] is not None:
        raise ValueError(reasons[0])
    return {name: float(values[0]) for name, values in columns.items()}


def decode_response_columns(texts: Sequence[str | None]) -> tuple[dict[str, np.ndarray], list[str | None]]:
    """Decode many cells at once, as `decode_response` does one.

    Parameters
    ----------
    texts : shape (n,); None gives nan everywhere.

    Returns
    -------
    (name with unit -> float array of shape (n,), nan where the cell lacks it; reason per cell, None where
    read). Cells of equal length with the same parameters at the same places are decoded as one block.
    """
    columns = {name: np.full(len(texts), np.nan) for name in VALUE_NAMES}
    reasons: list[str | None] = [None] * len(texts)
    by_length: dict[int, tuple[list[int], list[bytes]]] = {}
    for row, text in enumerate(texts):
        if text is None:
            continue
        try:
            data = _answer_bytes(text)
        except ValueError as error:
            reasons[row] = str(error)
            continue
        rows, blocks = by_length.setdefault(len(data), ([], []))
        rows.append(row)
        blocks.append(data)
    for length, (rows, blocks) in by_length.items():
        block = np.frombuffer(b"".join(blocks), np.uint8).reshape(len(rows), length)
        _decode_block(np.array(rows), block, columns, reasons)
    return {name: values for name, values in columns.items() if not np.isnan(values).all()}, reasons


def _answer_bytes(text: str) -> bytes:
    try:
        data = bytes.fromhex(_BETWEEN.sub(" ", text))
    except ValueError:
        data = b"".join(parse_bytes(part) for part in _BETWEEN.split(text) if part.strip())
    if not data:
        raise ValueError("There are no bytes in the text.")
    return data


@dataclass(frozen=True)
class _Layout:
    """Where an answer's parameters lie: PID -> index of its data; the indexes that say so; what is wrong."""

    data_at: dict[int, int]
    fixed: list[int]
    problem: str | None


def _layout(data: bytes) -> _Layout:
    """Walk one answer; 41 where a parameter is due opens another answer."""
    if data[0] != _HEADER:
        return _Layout({}, [0], f"A service 01 answer begins with 41, not {data[0]:02X}.")
    data_at: dict[int, int] = {}
    fixed, at = [0], 1
    while at < len(data):
        fixed.append(at)
        pid = data[at]
        if pid != _HEADER and pid not in PARAMETERS:
            return _Layout({}, fixed, f"The answer holds PID {pid:02X}, which is none of those read here.")
        if pid != _HEADER:
            data_at[pid] = at + 1
        at += 1 + (PARAMETERS[pid].n_bytes if pid != _HEADER else 0)
    is_whole = at == len(data) and bool(data_at)
    return _Layout(data_at, fixed, None if is_whole else "The answer is cut short: data bytes are missing.")


def _decode_block(
    rows: np.ndarray, block: np.ndarray, columns: dict[str, np.ndarray], reasons: list[str | None]
) -> None:
    """Decode cells of one length, layout after layout: the first cell's layout, then those that differ."""
    while len(rows):
        layout = _layout(block[0].tobytes())
        is_alike = (block[:, layout.fixed] == block[0, layout.fixed]).all(axis=1)
        if layout.problem:
            for row in rows[is_alike]:
                reasons[row] = layout.problem
        else:
            _fill(rows[is_alike], block[is_alike], layout.data_at, columns)
        rows, block = rows[~is_alike], block[~is_alike]


def _fill(
    rows: np.ndarray, block: np.ndarray, data_at: dict[int, int], columns: dict[str, np.ndarray]
) -> None:
    for pid, at in data_at.items():
        if pid == 0x54 and 0x32 in data_at:
            continue
        parameter = PARAMETERS[pid]
        columns[parameter.name][rows] = _values(parameter, block[:, at : at + parameter.n_bytes])


def _values(parameter: Parameter, raw: np.ndarray) -> np.ndarray:
    number = raw[:, 0].astype(np.int64)
    for i in range(1, parameter.n_bytes):
        number = number * 256 + raw[:, i]
    if parameter.is_signed:
        number = np.where(
            number >= 1 << 8 * parameter.n_bytes - 1, number - (1 << 8 * parameter.n_bytes), number
        )
    return number * parameter.factor + parameter.offset
