"""When too much of a file is refused, the run stops: a wrong delimiter, mapping or unit is likelier than so
many wrong records."""

from __future__ import annotations

from dataclasses import dataclass, field

import polars as pl

from pipeline.contract.rules import STOPPING_RULES
from pipeline.errors import DataStopsRun


@dataclass
class Tally:
    """Counts, over what this run reads, records and refusals by file."""

    n_read: dict[str, int] = field(default_factory=dict)
    n_refused: dict[str, int] = field(default_factory=dict)
    reasons: dict[str, dict[str, int]] = field(default_factory=dict)
    hints: dict[str, str] = field(default_factory=dict)
    #: file -> name of the pool it is judged in (one-file-per-recording sources are judged as a whole)
    pools: dict[str, str] = field(default_factory=dict)

    def hint(self, file: str, text: str | None) -> None:
        if text:
            self.hints[file] = text

    def count(self, records: pl.DataFrame, problems: pl.DataFrame) -> None:
        for file, n in records.group_by("file").len().iter_rows():
            self.n_read[file] = self.n_read.get(file, 0) + n
        own = problems.filter(pl.col("rule").is_in(STOPPING_RULES))
        for file, n in own.group_by("file").agg(pl.col("row").n_unique()).iter_rows():
            self.n_refused[file] = self.n_refused.get(file, 0) + n
        named = pl.concat_str("column", "reason", separator=": ", ignore_nulls=True).alias("reason")
        for file, reason, n in own.group_by("file", named).len().sort("file", "reason").iter_rows():
            mine = self.reasons.setdefault(file, {})
            mine[reason] = mine.get(reason, 0) + n

    def add(self, other: Tally) -> None:
        """Take over what another tally counted of other files."""
        for mine, theirs in (
            (self.n_read, other.n_read),
            (self.n_refused, other.n_refused),
            (self.reasons, other.reasons),
            (self.hints, other.hints),
            (self.pools, other.pools),
        ):
            mine.update(theirs)  # type: ignore[arg-type]

    def stop_if_too_many(self, max_share: float) -> None:
        """Stop the run when more than `max_share` of a file (or pool) was refused.

        Raises
        ------
        DataStopsRun : with each such file, its counts and its commonest reason.
        """
        read, refused, example = self._by_pool()
        over = [pool for pool in read if refused[pool] > max_share * read[pool]]
        if not over:
            return
        lines = [self._line(pool, read[pool], refused[pool], example[pool]) for pool in sorted(over)]
        raise DataStopsRun(
            f"more than {max_share:.0%} of a file was refused, so the run stops: a wrong delimiter, mapping or"
            " unit is likelier than so many wrong records",
            "; ".join(lines),
            "mend the file or its source.toml (delimiter, columns, units, values), then run again; "
            "`evapfleet check LAKE` shows every reason; nothing of the previous run was changed",
        )

    def _by_pool(self) -> tuple[dict[str, int], dict[str, int], dict[str, str]]:
        read: dict[str, int] = {}
        refused: dict[str, int] = {}
        example: dict[str, str] = {}
        for file, n in self.n_read.items():
            pool = self.pools.get(file, file)
            read[pool] = read.get(pool, 0) + n
            refused[pool] = refused.get(pool, 0) + self.n_refused.get(file, 0)
            if self.n_refused.get(file) and pool not in example:
                example[pool] = file
        return read, refused, {pool: example.get(pool, pool) for pool in read}

    def _line(self, pool: str, n_read: int, n_refused: int, file: str) -> str:
        reasons = self.reasons.get(file, {})
        commonest = max(reasons, key=lambda reason: reasons[reason]) if reasons else ""
        hint = f" ({self.hints[file]})" if file in self.hints else ""
        return f"{pool}: {n_refused} of {n_read} records refused, most often: {commonest}{hint}"
