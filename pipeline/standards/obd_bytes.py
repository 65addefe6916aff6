"""Bytes as exporters write them: blanks or none, either case, 0x, an answer header, a CAN identifier."""

from __future__ import annotations

import re

_SEPARATORS = re.compile(r"[\s,:.\-_]+")
_CAN_ID = re.compile(r"7[Ee][89A-Fa-f]|18[Dd][Aa][Ff]1[0-9A-Fa-f]{2}")
_ANSWER = 0x40


def parse_bytes(
    text: str, service: int | None = None, pid: int | None = None, length: int | None = None
) -> bytes:
    """Read bytes from any usual spelling: blanks or none, either case, 0x, answer header, CAN identifier.

    Parameters
    ----------
    text : such as "82076504", "82 07 65 04", "0x82,0x07,0x65,0x04", "41 01 82 07 65 04",
        "7E8 06 41 01 82 07 65 04"
    service, pid : where given, a header (40 hex + service, pid) before the data is taken off
    length : [byte] number of data bytes that must remain

    Raises
    ------
    ValueError : not hexadecimal, or another number of bytes; the text is a sentence.
    """
    data = _hex_bytes(text)
    header = b"" if service is None else bytes([_ANSWER + service] + ([] if pid is None else [pid]))
    has_header = header and data.startswith(header)
    if has_header and (length is None or len(data) != length):
        data = data[len(header) :]
    if length is not None and len(data) != length:
        raise ValueError(f"{text.strip()!r} holds {len(data)} data bytes where {length} are due.")
    return data


def _hex_bytes(text: str) -> bytes:
    tokens = [t for t in _SEPARATORS.split(text.strip().strip("'\"[]")) if t]
    is_framed = bool(tokens) and _CAN_ID.fullmatch(tokens[0]) is not None and len(tokens) > 1
    tokens = [t[2:] if t[:2] in ("0x", "0X") else t for t in (tokens[1:] if is_framed else tokens)]
    tokens = [t.zfill(2) for t in tokens] if len(tokens) > 1 else tokens
    joined = "".join(tokens)
    if not joined:
        raise ValueError("There are no bytes in the text.")
    if not joined.isascii() or re.fullmatch(r"[0-9A-Fa-f]+", joined) is None:
        raise ValueError(f"{text.strip()!r} is not hexadecimal.")
    if len(joined) % 2:
        raise ValueError(f"{text.strip()!r} has an odd number of hexadecimal digits.")
    data = bytes.fromhex(joined)
    return _unframed(data, text) if is_framed else data


def _unframed(frame: bytes, text: str) -> bytes:
    size = frame[0]
    if not 1 <= size <= 7 or len(frame) - 1 < size:
        raise ValueError(f"{text.strip()!r} is not one whole CAN frame.")
    return frame[1 : 1 + size]
