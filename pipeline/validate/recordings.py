"""Samples at the door: millions of rows in chunks, with what is known of a recording carried from chunk
to chunk, and never the samples themselves."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.contract.fields import SAMPLES
from pipeline.validate.door import lake_problems, record_problems
from pipeline.validate.facts import fact
from pipeline.validate.problems import PROBLEM_SCHEMA, no_problems

PART_SCHEMA = {
    "file": pl.String,
    "trace_id": pl.String,
    "n_samples": pl.Int64,
    "t_first_s": pl.Float64,
    "t_last_s": pl.Float64,
    "fingerprint": pl.UInt64,
    "is_known": pl.Boolean,
}


@dataclass
class SamplesDoor:
    """Judges chunk after chunk of samples.

    `trace_ids` : one column `trace_id`, the accepted recordings. `refused` : trace_id -> why its header was refused.
    `parts` : what earlier files hold of each recording (columns of `PART_SCHEMA`).
    """

    trace_ids: pl.DataFrame
    refused: pl.DataFrame
    parts: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=PART_SCHEMA))

    def judge(
        self, records: pl.DataFrame, misread: pl.DataFrame
    ) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
        """Return (accepted, problems, duplicates) of one chunk; remembers what it held of each recording."""
        if records.height == 0:
            return records, no_problems(), records.select("file", "row")
        by_record = record_problems(SAMPLES, records, misread)
        bad = by_record.select("file", "row").unique()
        sound = records.join(bad, on=["file", "row"], how="anti", maintain_order="left")
        asked = self._with_facts(sound)
        duplicates = asked.filter(pl.col("is_repeat__")).select("file", "row")
        asked = asked.filter(~pl.col("is_repeat__"))
        by_lake = lake_problems(SAMPLES, asked)
        refused = by_lake.select("file", "row").unique()
        kept = asked.join(refused, on=["file", "row"], how="anti", maintain_order="left").select(
            records.columns
        )
        self._remember(sound, kept)
        return kept, pl.concat([by_record, by_lake]).select(list(PROBLEM_SCHEMA)), duplicates

    def _with_facts(self, sound: pl.DataFrame) -> pl.DataFrame:
        known = self.trace_ids.with_columns(pl.lit(True).alias(fact("reference", "trace_id")))
        frame = (
            sound.join(known, on="trace_id", how="left", maintain_order="left")
            .join(self.refused, on="trace_id", how="left", maintain_order="left")
            .with_columns(
                pl.col(fact("reference", "trace_id")).fill_null(False), pl.col("why__").fill_null("")
            )
        )
        return self._with_earlier_files(_with_time_facts(frame, self._last_times(sound)))

    def _last_times(self, sound: pl.DataFrame) -> pl.DataFrame:
        """Return where a recording that goes on from an earlier chunk or file stood."""
        here = sound.select("trace_id").unique()
        return (
            self.parts.filter(pl.col("n_samples") > 0)
            .join(here, on="trace_id", how="semi")
            .group_by("trace_id")
            .agg(earlier_t__=pl.col("t_last_s").max(), first_file__=pl.col("file").min())
        )

    def _with_earlier_files(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Tell a recording that another file holds already, sample by sample, from one that contradicts it."""
        again = frame.filter(pl.col("earlier_t__").is_not_null() & (pl.col("first_file__") != pl.col("file")))
        overlapping = again.filter(pl.col("t_s") <= pl.col("earlier_t__")).select("file", "trace_id").unique()
        mine = _part(again.join(overlapping, on=["file", "trace_id"], how="semi"))
        same = mine.join(
            self.parts.select("trace_id", "n_samples", "t_first_s", "t_last_s", "fingerprint"),
            on=["trace_id", "n_samples", "t_first_s", "t_last_s", "fingerprint"],
            how="semi",
        ).select("file", "trace_id")
        flag = [
            overlapping.with_columns(overlaps__=pl.lit(True)),
            same.with_columns(is_same__=pl.lit(True)),
        ]
        for more in flag:
            frame = frame.join(more, on=["file", "trace_id"], how="left", maintain_order="left")
        overlaps, is_same = pl.col("overlaps__").fill_null(False), pl.col("is_same__").fill_null(False)
        return frame.with_columns(
            is_repeat__=pl.when(overlaps).then(is_same).otherwise(pl.col("is_repeat__")),
            first_file__=pl.coalesce("first_file__", pl.col("file").first().over(SAMPLES.key)),
        ).with_columns(
            (~overlaps & ~pl.col("is_second__") | is_same).alias(fact("unique")),
            (pl.col(fact("time_order", "t_s")) | overlaps | pl.col("is_second__")).alias(
                fact("time_order", "t_s")
            ),
        )

    def _remember(self, sound: pl.DataFrame, kept: pl.DataFrame) -> None:
        seen = sound.select("file", "trace_id").unique()
        parts = seen.join(_part(kept), on=["file", "trace_id"], how="left").with_columns(
            is_known=pl.col("trace_id").is_in(self.trace_ids["trace_id"].implode())
        )
        self.parts = pl.concat([self.parts, parts.select(list(PART_SCHEMA)).cast(PART_SCHEMA)])  # type: ignore[arg-type]


def _with_time_facts(frame: pl.DataFrame, earlier: pl.DataFrame) -> pl.DataFrame:
    """Mark samples that do not come after the one before, that repeat one, or that contradict one."""
    joined = frame.join(earlier, on="trace_id", how="left", maintain_order="left")
    before = pl.max_horizontal(pl.col("t_s").cum_max().shift(1).over("trace_id"), pl.col("earlier_t__"))
    return joined.with_columns(
        is_repeat__=~pl.struct(SAMPLES.names).is_first_distinct(),
        is_second__=~pl.struct(SAMPLES.key).is_first_distinct(),
        **{fact("time_order", "t_s"): (before.is_null() | (pl.col("t_s") > before))},
    )


def _part(samples: pl.DataFrame) -> pl.DataFrame:
    return samples.group_by("file", "trace_id").agg(
        n_samples=pl.len().cast(pl.Int64),
        t_first_s=pl.col("t_s").min(),
        t_last_s=pl.col("t_s").max(),
        fingerprint=pl.struct(SAMPLES.names[1:]).hash(seed=7).sum(),
    )
