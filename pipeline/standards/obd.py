"""Diagnostic bytes: SAE J1979 service 01 scaling, monitor status and two-byte trouble codes.

Source: SAE J1979 / ISO 15031-5, from memory (the standard was not read); the arithmetic was checked.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pipeline.standards.obd_bytes import parse_bytes
from pipeline.standards.obd_values import decode_response, decode_response_columns

__all__ = [
    "MONITOR_COLUMNS",
    "MonitorStatus",
    "decode_monitor_status",
    "decode_monitor_status_columns",
    "decode_response",
    "decode_response_columns",
    "decode_trouble_code",
    "decode_trouble_codes",
    "encode_monitor_status",
    "encode_trouble_code",
    "parse_bytes",
]

_CONTINUOUS = ("misfire", "fuel_system", "comprehensive")
_SPARK = (
    "catalyst",
    "heated_catalyst",
    "evap",
    "secondary_air",
    "ac_refrigerant",
    "o2_sensor",
    "o2_heater",
    "egr_vvt",
)
_COMPRESSION = (
    "nmhc_catalyst",
    "nox_aftertreatment",
    None,
    "boost_pressure",
    None,
    "exhaust_gas_sensor",
    "pm_filter",
    "egr_vvt",
)

Ignition = Literal["spark", "compression"]


@dataclass(frozen=True)
class MonitorStatus:
    """What service 01 PID 01 says: lamp, number of codes, and the state of each monitor.

    `supported` and `not_ready` hold names of `contract.vocabulary.MONITORS`; a monitor that is not
    supported is never in `not_ready`. `unassigned` keeps the bits that mean nothing (reserved ones, and
    "not complete" of a monitor that is not supported), so that the four bytes can be written as they came.
    """

    mil_on: bool
    trouble_code_count: int
    ignition: Ignition
    supported: tuple[str, ...]
    not_ready: tuple[str, ...]
    unassigned: bytes = bytes(4)


#: columns of `decode_monitor_status_columns`; `status_bytes` are the four bytes as eight capital digits, whatever the
#: spelling; `reason` says why a record could not be decoded
MONITOR_COLUMNS = (
    "mil_on",
    "trouble_code_count",
    "supported",
    "not_ready",
    "ignition",
    "status_bytes",
    "reason",
)


def _layout(ignition: Ignition) -> list[tuple[str, int, int, int, int]]:
    """List (monitor, byte and bit that say supported, byte and bit that say not complete)."""
    slow = _SPARK if ignition == "spark" else _COMPRESSION
    rows = [(name, 1, bit, 1, bit + 4) for bit, name in enumerate(_CONTINUOUS)]
    return rows + [(name, 2, bit, 3, bit) for bit, name in enumerate(slow) if name]


_LAYOUTS: dict[Ignition, list[tuple[str, int, int, int, int]]] = {
    "spark": _layout("spark"),
    "compression": _layout("compression"),
}


def decode_monitor_status(data: bytes) -> MonitorStatus:
    """Decode the four data bytes A to D of service 01 PID 01.

    Equation: lamp = A bit 7; count = A bits 0-6; B bit 3 = compression ignition; a monitor is not ready where
    its support bit and its "not complete" bit are both set.

    Raises
    ------
    ValueError : not four bytes.

    Source: SAE J1979 (from memory).

    >>> decode_monitor_status(bytes.fromhex("82076504")).not_ready
    ('evap',)
    """
    if len(data) != 4:
        raise ValueError(f"Monitor status has 4 data bytes; here are {len(data)}.")
    ignition: Ignition = "compression" if data[1] & 8 else "spark"
    rows = _LAYOUTS[ignition]
    supported = tuple(m for m, byte, bit, _, _ in rows if data[byte] >> bit & 1)
    late = tuple(m for m, _, _, byte, bit in rows if data[byte] >> bit & 1 and m in supported)
    plain = MonitorStatus(bool(data[0] & 0x80), data[0] & 0x7F, ignition, supported, late)
    rest = bytes(a ^ b for a, b in zip(data, encode_monitor_status(plain), strict=True))
    return MonitorStatus(plain.mil_on, plain.trouble_code_count, ignition, supported, late, rest)


def encode_monitor_status(status: MonitorStatus) -> bytes:
    """Write the four data bytes that `decode_monitor_status` reads back as `status`.

    Raises
    ------
    ValueError : more than 127 codes, a monitor that the ignition type does not have, or one that is not ready
        without being supported.
    """
    if not 0 <= status.trouble_code_count <= 127:
        raise ValueError(f"The count of codes must be 0 to 127, not {status.trouble_code_count}.")
    rows = _LAYOUTS[status.ignition]
    strange = set(status.supported) - {row[0] for row in rows} | set(status.not_ready) - set(status.supported)
    if strange:
        names = ", ".join(sorted(strange))
        raise ValueError(f"{names}: no such supported monitor on {status.ignition} ignition.")
    data = [status.mil_on << 7 | status.trouble_code_count, 8 * (status.ignition == "compression"), 0, 0]
    for monitor, byte, bit, late_byte, late_bit in rows:
        data[byte] |= (monitor in status.supported) << bit
        data[late_byte] |= (monitor in status.not_ready) << late_bit
    return bytes(a ^ b for a, b in zip(data, status.unassigned, strict=True))


def decode_monitor_status_columns(texts: Sequence[str | None]) -> dict[str, list[Any]]:
    """Decode the monitor status of many records; each distinct text is decoded once.

    Parameters
    ----------
    texts : shape (n,), in any spelling that `parse_bytes` reads; None stays None in every column.

    Returns
    -------
    column name (`MONITOR_COLUMNS`) -> list of shape (n,); monitors are tuples of names.
    """
    decoded = {text: _status_or_reason(text) for text in set(texts) if text is not None}
    nothing = (None,) * len(MONITOR_COLUMNS)
    rows = [nothing if text is None else decoded[text] for text in texts]
    return {name: [row[i] for row in rows] for i, name in enumerate(MONITOR_COLUMNS)}


def _status_or_reason(text: str) -> tuple[object, ...]:
    try:
        data = parse_bytes(text, service=1, pid=1, length=4)
    except ValueError as error:
        return (*(None,) * (len(MONITOR_COLUMNS) - 1), str(error))
    s = decode_monitor_status(data)
    return (s.mil_on, s.trouble_code_count, s.supported, s.not_ready, s.ignition, data.hex().upper(), None)


def decode_trouble_code(two_bytes: bytes) -> str:
    """Decode a two-byte trouble code: bits 15-14 the letter P C B U, 13-12 the first digit, then hexadecimal.

    Raises
    ------
    ValueError : not two bytes.

    Source: SAE J2012 (from memory).

    >>> decode_trouble_code(bytes.fromhex("0456"))
    'P0456'
    """
    if len(two_bytes) != 2:
        raise ValueError(f"A trouble code has 2 bytes; here are {len(two_bytes)}.")
    number = int.from_bytes(two_bytes, "big")
    return f"{'PCBU'[number >> 14]}{number >> 12 & 3}{number & 0xFFF:03X}"


def encode_trouble_code(code: str) -> bytes:
    """Write a trouble code as its two bytes.

    Raises
    ------
    ValueError : the text does not have the form of a code.
    """
    text = code.strip().upper()
    if re.fullmatch(r"[PCBU][0-3][0-9A-F]{3}", text) is None:
        raise ValueError(f"{code!r} does not have the form of a trouble code.")
    return ("PCBU".index(text[0]) << 14 | int(text[1]) << 12 | int(text[2:], 16)).to_bytes(2, "big")


def decode_trouble_codes(texts: Iterable[str]) -> list[str]:
    """Decode trouble codes that are each written as two hexadecimal bytes."""
    return [decode_trouble_code(parse_bytes(text, length=2)) for text in texts]
