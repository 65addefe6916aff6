"""What a record is, field by field: the one dictionary that readers, rules and pages derive from.

A column bears its unit in its name; `unit` repeats it for axis titles. `low` and `high` are the limits
of the possible, wide on purpose: they catch a wrong unit or a typing error, not an unusual vehicle.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.contract import vocabulary as words


@dataclass(frozen=True)
class Field:
    """One field of a record kind.

    `type` is one of text, integer, number, boolean, date, time (stored in UTC), text_list, check_list.
    """

    name: str
    type: str
    meaning: str
    unit: str = ""
    is_required: bool = False
    low: float | None = None
    high: float | None = None
    values: tuple[str, ...] | None = None


@dataclass(frozen=True)
class Kind:
    """A record kind: its fields, its key and the file names it is found by."""

    name: str
    key: tuple[str, ...]
    fields: tuple[Field, ...]
    meaning: str

    def field(self, name: str) -> Field:
        return next(f for f in self.fields if f.name == name)

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(f.name for f in self.fields)

    @property
    def required(self) -> tuple[str, ...]:
        return tuple(f.name for f in self.fields if f.is_required)


def _field(name: str, type: str, meaning: str, unit: str = "", req: bool = False, **limits: object) -> Field:
    return Field(name, type, meaning, unit, req, **limits)  # type: ignore[arg-type]


VEHICLES = Kind(
    "vehicles",
    ("vehicle_id",),
    (
        _field("vehicle_id", "text", "the register's name for the vehicle", req=True),
        _field("vin", "text", "vehicle identification number; its check digit is verified (49 CFR 565.15)"),
        _field("make", "text", "make", req=True),
        _field("model", "text", "model", req=True),
        _field("model_year", "integer", "model year", req=True, low=1950, high=2050),
        _field("fuel_tank_l", "number", "nominal fuel tank volume", "l", low=1, high=2000),
        _field("in_service_on", "date", "first day in service", req=True),
        _field("out_of_service_on", "date", "last day in service; empty while in service"),
        _field("fleet_id", "text", "fleet the vehicle belongs to"),
        _field("vehicle_type", "text", "type as the inspection program classes it"),
        _field(
            "gross_vehicle_weight_kg", "number", "gross vehicle weight rating", "kg", low=50, high=100_000
        ),
        _field("odometer_km", "number", "odometer reading", "km", low=0, high=5_000_000),
        _field("odometer_on", "date", "day of that odometer reading"),
        _field("inspection_due_on", "date", "day the next inspection is due"),
        _field(
            "ignition",
            "text",
            "ignition type; the bytes of an inspection stand before it",
            values=words.IGNITIONS,
        ),
    ),
    "the register: every vehicle, with or without jobs",
)

JOBS = Kind(
    "jobs",
    ("job_id",),
    (
        _field("job_id", "text", "repair-order line", req=True),
        _field("shop_id", "text", "shop that did the work", req=True),
        _field("technician_id", "text", "technician who did the work"),
        _field("vehicle_id", "text", "vehicle worked on", req=True),
        _field("opened_at", "time", "when the job was opened", req=True),
        _field("closed_at", "time", "when the job was closed; empty while open"),
        _field("odometer_km", "number", "odometer reading", "km", low=0, high=5_000_000),
        _field("trouble_codes", "text_list", "stored trouble codes (SAE J2012)"),
        _field("component", "text", "component named by the job", req=True, values=words.COMPONENTS),
        _field("action", "text", "what was done to it", req=True, values=words.ACTIONS),
        _field("checks", "check_list", "checks made, as name=pass or name=fail"),
        _field("labor_h", "number", "labor", "h", low=0, high=1000),
        _field("parts_cost", "number", "cost of parts, in `currency`", low=0, high=1e7),
        _field("currency", "text", "currency of parts_cost"),
        _field("note", "text", "free text; may hold anything"),
    ),
    "one repair-order line that touches the evaporative system, or an emission-readiness job",
)

TRACES = Kind(
    "traces",
    ("trace_id",),
    (
        _field("trace_id", "text", "recording", req=True),
        _field("job_id", "text", "job it was recorded in"),
        _field("vehicle_id", "text", "vehicle; may come through the job", req=True),
        _field("stage", "text", "when in the job it was recorded", req=True, values=words.STAGES),
        _field("recorded_at", "time", "when it was recorded", req=True),
        _field("fuel_level_pct", "number", "fuel level", "%", low=0, high=100),
        _field("ambient_c", "number", "ambient temperature", "°C", low=-60, high=70),
        _field("barometric_kpa", "number", "barometric pressure", "kPa", low=50, high=110),
    ),
    "header of one recorded draw-down and hold test, or of another recorded EVAP functional test",
)

SAMPLES = Kind(
    "samples",
    ("trace_id", "t_s"),
    (
        _field("trace_id", "text", "recording the sample belongs to", req=True),
        _field("t_s", "number", "time since the recording's own zero", "s", req=True, low=-1e5, high=1e6),
        _field(
            "tank_pressure_pa",
            "number",
            "tank pressure, gauge: vacuum is negative",
            "Pa",
            req=True,
            low=-50_000,
            high=50_000,
        ),
        _field("sensor_v", "number", "tank pressure sensor output", "V", low=-1, high=30),
        _field("purge_duty_pct", "number", "commanded purge duty", "%", req=True, low=0, high=100),
        _field("is_vent_closed", "boolean", "vent valve commanded closed", req=True),
        _field("engine_rpm", "number", "engine speed", "1/min", low=0, high=20_000),
        _field(
            "test_flow_std_l_min",
            "number",
            "flow of test gas fed into the shut system, as volume at 20 °C and 101.325 kPa",
            "l/min",
            low=0,
            high=1000,
        ),
    ),
    "one reading of one recording",
)

INSPECTIONS = Kind(
    "inspections",
    ("inspection_id",),
    (
        _field("inspection_id", "text", "inspection record", req=True),
        _field("vehicle_id", "text", "vehicle inspected", req=True),
        _field("station_id", "text", "inspection station", req=True),
        _field("inspected_at", "time", "when it was inspected", req=True),
        _field("odometer_km", "number", "odometer reading", "km", low=0, high=5_000_000),
        _field("monitor_status_hex", "text", "the four data bytes of SAE J1979 service 01 PID 01"),
        _field("mil_on", "boolean", "malfunction indicator lamp commanded on"),
        _field("trouble_code_count", "integer", "confirmed emission trouble codes", low=0, high=127),
        _field("monitors_not_ready", "text_list", "monitors not complete", values=words.MONITORS),
        _field("trouble_codes", "text_list", "stored trouble codes (SAE J2012)"),
        _field("permanent_trouble_codes", "text_list", "permanent trouble codes, which no clear removes"),
        _field("bulb_check", "text", "lamp at key-on, engine off", values=words.BULB_CHECKS),
        _field("connector", "text", "diagnostic connector", values=words.CONNECTORS),
        _field("warmups_since_clear", "integer", "warm-ups since codes were cleared", low=0, high=255),
        _field(
            "distance_since_clear_km", "number", "distance since codes were cleared", "km", low=0, high=65_535
        ),
        _field("test_result", "text", "result as the station recorded it", values=words.TEST_RESULTS),
        _field("cap_test_result", "text", "fuel cap test", values=words.CAP_RESULTS),
        _field("waived", "boolean", "a waiver was given"),
    ),
    "one inspection (I/M) record",
)

ALL_KINDS: dict[str, Kind] = {k.name: k for k in (VEHICLES, JOBS, TRACES, SAMPLES, INSPECTIONS)}
