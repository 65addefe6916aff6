"""The register: which vehicles there are, and the habits of each that nothing in the lake says."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.simulate import world
from pipeline.standards.vin import check_digit

_YEAR_CODES = "ABCDEFGHJKLMNPRSTVWXY123456789"  # 49 CFR 565.15(d)(1): A = 1980 and again 2010


@dataclass(frozen=True)
class Fleet:
    """A chunk of vehicles: the register as frame, and per vehicle (arrays of one length) what drives it.

    Days count from 1970-01-01; `out_day` is +inf while in service.
    """

    register: pl.DataFrame
    model: np.ndarray
    model_year: np.ndarray
    in_day: np.ndarray
    out_day: np.ndarray
    km_per_day: np.ndarray
    home_shop: np.ndarray
    home_station: np.ndarray
    due_day: np.ndarray
    due_every_days: np.ndarray

    @property
    def vehicle_id(self) -> np.ndarray:
        return self.register["vehicle_id"].to_numpy()

    @property
    def size(self) -> int:
        return len(self.model)


def year_weights() -> np.ndarray:
    """Give each model year's share of the fleet; the same for every model."""
    years = np.array(world.MODEL_YEARS)
    weights = np.where(years <= 2016, years - 1994, 22 - 0.8 * (years - 2016)).astype(float)
    return weights / weights.sum()


def synthetic_vin(make: str, model_year: int, number: int) -> str:
    """Make a VIN with a right check digit in a region that is assigned to nobody (it begins with 0)."""
    seventh = "A" if model_year >= 2010 else "1"
    year = _YEAR_CODES[(model_year - 1980) % 30]
    blank = f"0{world.MAKE_CODES[make]}EV{number // 100_000 % 10}{seventh}T0{year}F{number % 1_000_000:06d}"
    return blank[:8] + check_digit(blank) + blank[9:]


def make_fleet(rng: np.random.Generator, first: int, n: int) -> Fleet:
    """Draw `n` vehicles whose numbers begin at `first`."""
    model = rng.choice(len(world.MODELS), n, p=[m.share for m in world.MODELS])
    year = rng.choice(world.MODEL_YEARS, n, p=year_weights())
    new_year = (year - 1970).astype("datetime64[Y]").astype("datetime64[D]").astype(int)
    in_day = np.minimum(new_year + rng.integers(-60, 330, n), world.END_DAY - 20)
    out_day = _out_of_service(rng, in_day, year)
    km_per_day = np.clip(rng.lognormal(np.log(42), 0.35, n), 12, 140)
    yearly = np.array([m.vehicle_type != "passenger_car" for m in world.MODELS])[model]
    hidden = {
        "model": model,
        "model_year": year,
        "in_day": in_day,
        "out_day": out_day,
        "km_per_day": km_per_day,
        "home_shop": rng.choice(len(world.SHOPS), n, p=shop_shares()),
        "home_station": rng.integers(0, len(world.STATIONS), n),
        "due_every_days": np.where(yearly, 365, 730),
        "due_day": world.START_DAY + rng.integers(0, np.where(yearly, 365, 730)),
    }
    return Fleet(_register(rng, first, hidden), **hidden)


def shop_shares() -> np.ndarray:
    """Give each shop's share of the work."""
    weights = np.array([s.weight for s in world.SHOPS])
    return weights / weights.sum()


def _out_of_service(rng: np.random.Generator, in_day: np.ndarray, year: np.ndarray) -> np.ndarray:
    leaves = rng.random(len(year)) < np.where(year < 2008, 0.22, 0.06)
    day = rng.integers(world.START_DAY - 120, world.END_DAY, len(year))
    return np.where(leaves & (day > in_day + 60), day, np.inf)


def _register(rng: np.random.Generator, first: int, hidden: dict[str, np.ndarray]) -> pl.DataFrame:
    models = [world.MODELS[i] for i in hidden["model"]]
    years, n = hidden["model_year"], len(models)
    read_day = np.minimum(
        np.minimum(hidden["out_day"], world.END_DAY) - rng.integers(0, 200, n), world.END_DAY
    )
    read_day = np.maximum(read_day, hidden["in_day"])
    due = hidden["due_day"] + hidden["due_every_days"] * np.ceil(
        (world.END_DAY - hidden["due_day"]) / hidden["due_every_days"]
    )
    odometer = np.round((read_day - hidden["in_day"]) * hidden["km_per_day"])
    out = hidden["out_day"]
    frame = pl.DataFrame(
        {
            "vehicle_id": [f"V{first + i:05d}" for i in range(n)],
            "vin": [
                synthetic_vin(m.make, int(y), first + i)
                for i, (m, y) in enumerate(zip(models, years, strict=True))
            ],
            "make": [m.make for m in models],
            "model": [m.name for m in models],
            "model_year": years.astype(np.int64),
            "fuel_tank_l": [m.fuel_tank_l for m in models],
            "in_service_on": _dates(hidden["in_day"]),
            "out_of_service_on": _dates(out),
            "fleet_id": rng.choice(world.FLEETS, n).tolist(),
            "vehicle_type": [m.vehicle_type for m in models],
            "gross_vehicle_weight_kg": [float(m.gross_vehicle_weight_kg) for m in models],
            "odometer_km": odometer,
            "odometer_on": _dates(read_day),
            "inspection_due_on": _dates(np.where(np.isfinite(out), np.nan, due)),
        }
    )
    return _with_gaps(rng, frame)


def _with_gaps(rng: np.random.Generator, frame: pl.DataFrame) -> pl.DataFrame:
    """Leave some optional values empty, as registers do."""
    shares = {"vin": 0.04, "fuel_tank_l": 0.05, "fleet_id": 0.03, "vehicle_type": 0.01, "odometer_km": 0.08}
    gone = {name: pl.Series(rng.random(frame.height) < share) for name, share in shares.items()}
    gone["odometer_on"] = gone["odometer_km"]
    return frame.with_columns(
        pl.when(gone[name]).then(None).otherwise(pl.col(name)).alias(name) for name in gone
    )


def _dates(days: np.ndarray) -> pl.Series:
    """Turn day numbers into dates; a day that is not finite becomes null."""
    known = np.isfinite(days)
    whole = np.where(known, days, 0).astype(np.int32)
    return pl.Series(whole, dtype=pl.Int32).cast(pl.Date).set(pl.Series(~known), None)
