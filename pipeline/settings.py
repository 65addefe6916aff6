"""Everything a user may set, with its default and its reason."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import date


@dataclass(frozen=True)
class Settings:
    """Settings of one run; recorded whole in `audit.runs` and shown on the pages that use them."""

    from_on: date | None = None
    """First day of the window; None: the earliest `opened_at` of the accepted jobs."""
    to_on: date | None = None
    """Last day of the window; None: the latest `opened_at` of the accepted jobs."""
    level: float = 0.95
    """Level of every interval."""
    follow_up_days: int = 90
    """A new EVAP job within so many days of a closed repair is a comeback (day 90 included)."""
    cycle_gap_days: int = 180
    """So many days without another inspection end a test cycle."""
    discharge_coefficient: float = 0.61
    """Sharp-edged orifice at high Reynolds number (textbook); 40 CFR 1066.985 implies about 0.75, which
    makes the same hole 11 % smaller."""
    max_not_ready_1996_2000: int = 2
    """Monitors that may be unset on model years 1996-2000 (40 CFR 85.2222(c)(2)); programs differ."""
    max_not_ready_2001_on: int = 1
    """Monitors that may be unset on model years 2001 and later (40 CFR 85.2222(c)(2)); programs differ."""
    max_refused_share: float = 0.5
    """A run stops when more than this share of a file is refused: a wrong delimiter or mapping is likelier
    than so many wrong records."""

    def as_json(self) -> str:
        return json.dumps(self.as_dict(), sort_keys=True)

    def as_dict(self) -> dict[str, object]:
        return {k: (v.isoformat() if isinstance(v, date) else v) for k, v in asdict(self).items()}
