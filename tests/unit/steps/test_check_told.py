"""What `check` prints of the files of a lake."""

import polars as pl

from pipeline.steps.check import MOST_FILES, CheckReport


def report(n: int) -> CheckReport:
    """n files of 10 samples and one of vehicles; one of the samples has a record refused, one could not be read."""
    names = [*(f"bay/{k:03}.csv" for k in range(n)), "office/vehicles.csv"]
    refused = [1 if k == 3 else 0 for k in range(n + 1)]
    files = pl.DataFrame(
        {
            "source_id": ["bay"] * n + ["office"],
            "file": names,
            "kind": ["samples"] * n + ["vehicles"],
            "n_read": [10] * (n + 1),
            "n_accepted": [10 - k for k in refused],
            "n_quarantined": refused,
            "n_duplicate": [0] * (n + 1),
            "problem": ["no header" if k == 5 else None for k in range(n + 1)],
        }
    )
    return CheckReport(files, pl.DataFrame(), [], None)


def test_few_files_are_told_one_by_one():
    (each,) = report(MOST_FILES - 1).told
    assert each.height == MOST_FILES
    assert each.columns == ["file", "kind", "n_read", "n_accepted", "n_quarantined", "n_duplicate", "problem"]


def test_of_many_files_sums_are_told_and_those_with_something_amiss():
    sums, amiss = report(300).told
    assert sums.select("source_id", "kind", "n_files", "n_read", "n_accepted", "n_quarantined").rows() == [
        ("bay", "samples", 300, 3000, 2999, 1),
        ("office", "vehicles", 1, 10, 10, 0),
    ]
    assert amiss["file"].to_list() == ["bay/003.csv", "bay/005.csv"]
