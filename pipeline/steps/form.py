"""Is a warehouse of the form that this program reads and writes?"""

from __future__ import annotations

from pathlib import Path

from pipeline.contract.tables import AUDIT_FILES, AUDIT_RUNS, MARTS, QUARANTINE_RECORDS
from pipeline.errors import WrongUsage
from pipeline.steps.stage import REGISTER_KINDS, STAGE_COLUMNS
from pipeline.warehouse.store import Warehouse


def lacking(warehouse: Warehouse) -> list[str]:
    """Return the tables that are not there, or not with every column. Reads only."""
    asked = {name: {column for column, _ in columns} for name, columns in STAGE_COLUMNS.items()}
    asked |= {t.full_name: set(t.column_names) for t in (AUDIT_FILES, AUDIT_RUNS, QUARANTINE_RECORDS, *MARTS)}
    asked |= {f"core.{kind}": {"source_id", "file", "row"} for kind in (*REGISTER_KINDS, "samples")}
    found = warehouse.columns()
    return sorted(name for name, columns in asked.items() if not columns <= found.get(name, set()))


def stop_at_another_form(warehouse: Warehouse, path: Path) -> None:
    """Stop where a warehouse was made by another version of evapfleet, or by another program.

    Raises
    ------
    WrongUsage : naming what is missing.
    """
    missing = lacking(warehouse)
    if missing:
        more = f" and {len(missing) - 3} more" if len(missing) > 3 else ""
        raise WrongUsage(
            "the warehouse has another form than this version of evapfleet reads: it lacks, or holds with other"
            f" columns, {', '.join(missing[:3])}{more}",
            str(path),
            "run `evapfleet run LAKE --out DIR` again",
        )
