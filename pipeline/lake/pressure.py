"""Fill the tank pressure of samples where a source gives raw answers, absolute pressure or sensor volts."""

from __future__ import annotations

import polars as pl

from pipeline.contract.fields import SAMPLES, TRACES
from pipeline.lake.columns import Layout
from pipeline.lake.convert import misread_rows, read_field
from pipeline.lake.converted import as_text, sentences, stripped
from pipeline.lake.polled import with_samples_of_polled
from pipeline.lake.reading import TOLD_SCHEMA, Reading
from pipeline.lake.source_form import KindForm, SensorLine
from pipeline.standards.obd import decode_response_columns
from pipeline.standards.units import is_absolute

_PA_PER_KPA = 1000.0
_NO_BAROMETER = (
    "An absolute pressure cannot be made gauge: neither its recording's samples nor its trace gives"
    " barometric_kpa."
)
_NO_LINE = (
    "The sensor's volts cannot be made pressure: the source.toml gives no line for this vehicle's model."
)
HEADER_FIELDS = ("make", "model", "barometric_kpa")


def with_pressure(reading: Reading, form: KindForm, layout: Layout, headers: pl.DataFrame) -> Reading:
    """Return the samples with raw answers decoded, absolute pressure made gauge and volts made pressure.

    Parameters
    ----------
    reading : samples as `convert.to_reading` gives them
    headers : trace_id, make, model, barometric_kpa [kPa] of the traces that are known; the barometric pressure of the
        record itself goes first, and where its trace has none that which its recording told last, or tells next, in
        these samples

    Returns
    -------
    The same records, without rows of polled answers that tell no pressure (`polled`); `is_pressure_derived` is true
    where the pressure comes from volts. What could not be decoded or placed is null and listed as misread.
    """
    decoded = _decode(reading, layout)
    barometric = _barometric(reading, form, layout, decoded)
    columns = layout.columns
    told = {name: decoded[name] for name in TOLD_SCHEMA if name in decoded}
    if is_absolute(layout.units.get("tank_pressure_pa", "Pa")):
        absolute = reading.records["tank_pressure_pa"]
        told["barometer_step_kpa"] = _make_gauge(reading, absolute, barometric, headers)
    if "tank_pressure_abs_kpa" in decoded:
        absolute, kept = decoded["tank_pressure_abs_kpa"] * _PA_PER_KPA, reading.records["tank_pressure_pa"]
        told["barometer_step_kpa"] = _make_gauge(reading, absolute, barometric, headers, keep=kept)
    reading.told = _told_of_recordings(reading, told)
    if form.sensor and "sensor_v" in columns and not {"tank_pressure_pa", "obd_hex"} & columns.keys():
        _derive_from_volts(reading, form.sensor, headers)
    with_samples_of_polled(reading, decoded)
    return reading


def _decode(reading: Reading, layout: Layout) -> dict[str, pl.Series]:
    """Decode the answers of `obd_hex`, fill the fields of a sample with them, and return all that they tell."""
    if "obd_hex" not in layout.columns:
        return {}
    text = stripped(as_text(reading.came[layout.columns["obd_hex"]]))
    distinct = text.drop_nulls().unique()
    told, reasons = decode_response_columns(distinct.to_list())
    places = text.replace_strict(distinct, pl.Series(range(len(distinct)), dtype=pl.UInt32), default=None)
    decoded = {
        name: pl.Series(name, values).fill_nan(None).gather(places.cast(pl.UInt32))
        for name, values in told.items()
    }
    reason = pl.Series(reasons, dtype=pl.String).gather(places.cast(pl.UInt32))
    _add_misread(reading, "obd_bytes", "obd_hex", text, reason)
    for name in decoded.keys() & set(SAMPLES.names):
        own = reading.records[name]
        _put(reading, name, own.zip_with(own.is_not_null(), decoded[name]))
    return decoded


def _told_of_recordings(reading: Reading, told: dict[str, pl.Series]) -> pl.DataFrame:
    """Return, for each recording, the first fuel level, ambient and barometric pressure that its answers give, and the
    steps of the barometer by which its pressure became gauge."""
    facts = list(told)
    if not facts:
        return pl.DataFrame(schema=TOLD_SCHEMA)
    frame = reading.records.select("file", "trace_id").with_columns(told[name].alias(name) for name in facts)
    possible = [
        pl.when(pl.col(f.name).is_between(f.low, f.high)).then(pl.col(f.name))
        for f in TRACES.fields
        if f.name in facts
    ]
    frame = frame.with_columns(possible)
    first = frame.drop_nulls("trace_id").group_by("file", "trace_id", maintain_order=True)
    firsts = first.agg(pl.col(facts).drop_nulls().first())
    return pl.concat([pl.DataFrame(schema=TOLD_SCHEMA), firsts], how="diagonal")


def _barometric(
    reading: Reading, form: KindForm, layout: Layout, decoded: dict[str, pl.Series]
) -> pl.Series | None:
    """Return the barometric pressure that the records themselves give [kPa]."""
    if "barometric_kpa" in layout.columns:
        unit = layout.units.get("barometric_kpa")
        raw = reading.came[layout.columns["barometric_kpa"]]
        read = read_field(TRACES.field("barometric_kpa"), raw, form, unit)
        if read.reasons is not None:
            _add_misread(reading, "type", "barometric_kpa", as_text(raw), read.reasons)
        return read.values
    return decoded.get("barometric_kpa")


def _make_gauge(
    reading: Reading,
    absolute: pl.Series,
    barometric: pl.Series | None,
    headers: pl.DataFrame,
    keep: pl.Series | None = None,
) -> pl.Series:
    """Put gauge = absolute - barometric [Pa] where `keep` has nothing; return the barometer's steps [kPa] where it came
    in whole kilopascals, as service 01 PID 33 gives it, and null elsewhere."""
    of_trace = _of_traces(reading, headers)["barometric_kpa"]
    known = of_trace if barometric is None else barometric.zip_with(barometric.is_not_null(), of_trace)
    if barometric is not None and known.has_nulls():
        known = known.zip_with(known.is_not_null(), _told_last(reading, barometric))
    gauge = absolute - known * _PA_PER_KPA
    lost = absolute.is_not_null() & gauge.is_null()
    if keep is not None:
        gauge, lost = keep.zip_with(keep.is_not_null(), gauge), lost & keep.is_null()
    _add_misread(
        reading, "type", "tank_pressure_pa", absolute.cast(pl.String), sentences(lost, _NO_BAROMETER)
    )
    _put(reading, "tank_pressure_pa", gauge)
    is_whole = (known == known.round()) & absolute.is_not_null()
    return is_whole.replace_strict({True: 1.0}, default=None, return_dtype=pl.Float64)


def _told_last(reading: Reading, barometric: pl.Series) -> pl.Series:
    """Return what each record's recording told last, or before it told anything, first: a poller asks now and then."""
    recording = reading.records.select("file", "trace_id").with_columns(told__=barometric)
    return recording.select(pl.col("told__").forward_fill().backward_fill().over("file", "trace_id"))[
        "told__"
    ]


def _derive_from_volts(reading: Reading, lines: tuple[SensorLine, ...], headers: pl.DataFrame) -> None:
    """Put pressure = (volts - volts_at_rest) * pa_per_volt [Pa] and mark it as derived."""
    volts = reading.records["sensor_v"]
    traces = _of_traces(reading, headers)
    models = traces.select("make", "model").unique()
    chosen = [_line_for(make, model, lines) for make, model in models.iter_rows()]
    table = models.with_columns(
        rest=pl.Series([c and c.volts_at_rest for c in chosen], dtype=pl.Float64),
        slope=pl.Series([c and c.pa_per_volt for c in chosen], dtype=pl.Float64),
    )
    line = traces.join(table, on=["make", "model"], how="left", nulls_equal=True, maintain_order="left")
    pressure = (volts - line["rest"]) * line["slope"]
    lost = volts.is_not_null() & pressure.is_null()
    _add_misread(reading, "type", "tank_pressure_pa", volts.cast(pl.String), sentences(lost, _NO_LINE))
    _put(reading, "tank_pressure_pa", pressure)
    _put(reading, "is_pressure_derived", pressure.is_not_null())


def _line_for(make: str | None, model: str | None, lines: tuple[SensorLine, ...]) -> SensorLine | None:
    """Choose a model's own line, that of its make before that of any make, and the source's line otherwise."""
    fitting = [
        line for line in lines if line.model is None or (line.model == model and line.make in (None, make))
    ]
    return max(fitting, key=lambda line: (line.model is not None, line.make is not None), default=None)


def _of_traces(reading: Reading, headers: pl.DataFrame) -> pl.DataFrame:
    """Return make, model and barometric_kpa for every record, null where its trace is not known."""
    known = headers.select("trace_id", *HEADER_FIELDS).unique("trace_id", keep="first", maintain_order=True)
    ids = reading.records.select("trace_id")
    return ids.join(known, on="trace_id", how="left", maintain_order="left").select(HEADER_FIELDS)


def _put(reading: Reading, name: str, values: pl.Series) -> None:
    reading.records = reading.records.with_columns(values.alias(name))


def _add_misread(reading: Reading, rule: str, column: str, raw: pl.Series, reasons: pl.Series) -> None:
    """List what has a reason, but for records that are misshapen as a whole."""
    if not reasons.is_not_null().any():
        return
    rows = misread_rows(reading.records, rule, column, raw, reasons)
    shapeless = reading.misread.filter(pl.col("rule") == "shape")
    rows = rows.join(shapeless, on=["file", "row"], how="anti")
    reading.misread = pl.concat([reading.misread, rows])
