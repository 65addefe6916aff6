"""Vehicle identification numbers: check digit and model year (49 CFR 565.15).

Source: 49 CFR 565.15(c) tables III and IV, (d)(1) table VII, read in a public mirror of the eCFR.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

#: Table III; I, O and Q have no value.
VALUES: dict[str, int] = {
    **{digit: int(digit) for digit in "0123456789"},
    **{letter: n for n, letter in enumerate("ABCDEFGH", 1)},
    **{letter: n for n, letter in enumerate("JKLMN", 1)},
    "P": 7,
    "R": 9,
    **{letter: n for n, letter in enumerate("STUVWXYZ", 2)},
}
#: Table IV; position 9, the check digit itself, weighs nothing.
WEIGHTS = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_CHECK = 8
_YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"
_VALUE_OF_CODE_POINT = np.array([VALUES.get(chr(i), -1) for i in range(128)])
_DIGIT_OF_REMAINDER = np.array([ord(c) for c in "0123456789X"])


def check_digit(vin: str) -> str:
    """Compute the character that belongs in position 9.

    Parameters
    ----------
    vin : 17 characters; position 9 may hold anything.

    Returns
    -------
    "0" to "9" or "X": the sum of value times weight, modulo 11, with 10 written X.

    Raises
    ------
    ValueError : the length is not 17, or a character (I, O, Q among them) has no value.

    Source: 49 CFR 565.15(c).

    >>> check_digit("1G4AH59H?5G118341")
    '4'
    """
    if len(vin) != 17:
        raise ValueError(f"A VIN has 17 characters; this one has {len(vin)}.")
    text = vin.upper()
    bad = sorted({c for i, c in enumerate(text) if i != _CHECK and c not in VALUES})
    if bad:
        raise ValueError(f"A VIN cannot hold {', '.join(bad)} (I, O and Q are never used).")
    total = sum(VALUES[c] * w for i, (c, w) in enumerate(zip(text, WEIGHTS, strict=True)) if i != _CHECK)
    return "0123456789X"[total % 11]


def is_valid_vin(vin: str) -> bool:
    """Say whether a VIN has 17 allowed characters and carries its right check digit (49 CFR 565.15)."""
    try:
        return check_digit(vin) == vin[_CHECK].upper()
    except ValueError:
        return False


def are_valid_vins(vins: Sequence[str | None]) -> np.ndarray:
    """Check many VINs at once, as `is_valid_vin` does one.

    Parameters
    ----------
    vins : shape (n,); None counts as not valid.

    Returns
    -------
    boolean array, shape (n,)
    """
    texts = ["" if v is None or len(v) != 17 else v.upper() for v in vins]
    points = np.array(texts, dtype="<U17").view(np.uint32).reshape(len(texts), 17)
    values = np.where(points < 128, _VALUE_OF_CODE_POINT[np.minimum(points, 127)], -1)
    is_known = (np.delete(values, _CHECK, axis=1) >= 0).all(axis=1)
    remainder = (values * np.array(WEIGHTS)).sum(axis=1) % 11
    return is_known & (_DIGIT_OF_REMAINDER[remainder] == points[:, _CHECK])


def vin_model_year(vin: str) -> int | None:
    """Read the model year from position 10.

    Returns
    -------
    1980 to 2009 where position 7 is a digit, 2010 to 2039 where it is a letter; None where position 10
    holds no year code (I, O, Q, U, Z, 0) or the length is not 17. Holds for cars, multipurpose vehicles and
    trucks of at most 4536 kg; heavier vehicles do not tell the two cycles apart by position 7.

    Source: 49 CFR 565.15(d)(1).
    """
    if len(vin) != 17 or vin[9].upper() not in _YEAR_CODES:
        return None
    return (1980 if vin[6].isdigit() else 2010) + _YEAR_CODES.index(vin[9].upper())
