"""How records fit together: one record for one key, and what a record refers to was accepted.

Asked anew over the whole lake in every run that has something new, so that it does not matter which file
was read first, or in which run.
"""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.contract.fields import Kind
from pipeline.contract.rules import REFERENCES
from pipeline.validate.door import lake_problems
from pipeline.validate.facts import fact
from pipeline.validate.problems import no_problems


class Admission:
    """What the lake as a whole says of the sound records of one kind.

    `accepted` : records to keep; `problems` : lines for the quarantine; `duplicates` : (file, row) of records
    that say again, field by field, what an earlier record says.
    """

    def __init__(self, accepted: pl.DataFrame, problems: pl.DataFrame, duplicates: pl.DataFrame) -> None:
        self.accepted, self.problems, self.duplicates = accepted, problems, duplicates


def admit(
    kind: Kind, sound: pl.DataFrame, accepted: dict[str, pl.DataFrame], last: Sequence[str] = ()
) -> Admission:
    """Admit the sound records of one kind (vehicles, jobs, traces or inspections).

    Parameters
    ----------
    sound : records that break no rule by themselves, of all files; `file`, `row` and the kind's fields.
    accepted : kind -> frame of records accepted already (jobs need vehicles, traces need both).
    last : files whose records stand behind those of all others; within both the first by path stands.
    """
    if sound.height == 0:
        return Admission(sound, no_problems(), sound.select("file", "row"))
    ordered = sound.sort(pl.col("file").is_in(list(last)), "file", "row")
    if kind.name == "traces":
        ordered = _fill_vehicle_through_job(ordered, accepted["jobs"])
    marked = _with_first_of_key(kind, ordered)
    duplicates = marked.filter(pl.col("is_repeat__")).select("file", "row")
    asked = _with_references(kind, marked.filter(~pl.col("is_repeat__")), accepted)
    problems = lake_problems(kind, asked)
    kept = asked.join(problems.select("file", "row").unique(), on=["file", "row"], how="anti")
    return Admission(kept.sort("file", "row").select(sound.columns), problems, duplicates)


def _with_first_of_key(kind: Kind, ordered: pl.DataFrame) -> pl.DataFrame:
    """Mark repeats and conflicts against the first record of the same key."""
    key = list(kind.key)
    content = pl.struct(kind.names).struct.json_encode()
    first = {
        "first_file__": pl.col("file").first().over(key),
        "first_row__": pl.col("row").first().over(key),
        "is_first__": pl.int_range(pl.len()).over(key) == 0,
    }
    frame = ordered.with_columns(content__=content).with_columns(**first)
    same = pl.col("content__") == pl.col("content__").first().over(key)
    return frame.with_columns(is_repeat__=same & ~pl.col("is_first__")).with_columns(
        pl.col("is_first__").alias(fact("unique"))
    )


def _with_references(kind: Kind, frame: pl.DataFrame, accepted: dict[str, pl.DataFrame]) -> pl.DataFrame:
    facts = []
    for ref in (r for r in REFERENCES if r.kind == kind.name):
        known = accepted[ref.target][ref.target_column]
        facts.append(pl.col(ref.column).is_in(known.implode()).alias(fact(ref.name, ref.column)))
    frame = frame.with_columns(facts)
    return _with_trace_facts(frame, accepted["jobs"]) if kind.name == "traces" else frame


def _fill_vehicle_through_job(traces: pl.DataFrame, jobs: pl.DataFrame) -> pl.DataFrame:
    through = jobs.select("job_id", job_vehicle__="vehicle_id")
    joined = traces.join(through, on="job_id", how="left", maintain_order="left")
    filled = pl.coalesce("vehicle_id", "job_vehicle__").alias("vehicle_id")
    return joined.with_columns(filled).select(traces.columns)


def _with_trace_facts(traces: pl.DataFrame, jobs: pl.DataFrame) -> pl.DataFrame:
    through = jobs.select("job_id", job_vehicle__="vehicle_id")
    joined = traces.join(through, on="job_id", how="left", maintain_order="left")
    job_is_known = pl.col(fact("reference", "job_id"))
    has_vehicle = pl.when(job_is_known.fill_null(True)).then(pl.col("vehicle_id").is_not_null())
    return joined.with_columns(
        (pl.col("job_vehicle__") == pl.col("vehicle_id")).alias(fact("vehicle_agrees")),
        has_vehicle.alias(fact("required", "vehicle_id")),
    )
