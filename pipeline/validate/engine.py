"""Run a Great Expectations suite over a frame and name the rows that failed."""

from __future__ import annotations

import contextlib
import io
import logging
import os
import warnings
from functools import lru_cache
from typing import Any

os.environ["GX_ANALYTICS_ENABLED"] = "false"

import great_expectations as gx
import polars as pl
from great_expectations.data_context.types.base import (
    DataContextConfig,
    InMemoryStoreBackendDefaults,
    ProgressBarsConfig,
)

from pipeline.errors import OurFault

BROKEN_SCHEMA = {"index": pl.Int64, "rule": pl.String, "column": pl.String}


@lru_cache(maxsize=1)
def _batch_definition() -> Any:
    logging.getLogger("great_expectations").setLevel(logging.ERROR)
    in_memory = InMemoryStoreBackendDefaults(init_temp_docs_sites=False)
    context = gx.get_context(
        mode="ephemeral", project_config=DataContextConfig(store_backend_defaults=in_memory)
    )
    context.variables.progress_bars = ProgressBarsConfig(globally=False, metric_calculations=False)
    asset = context.data_sources.add_pandas("door").add_dataframe_asset("records")
    return asset.add_batch_definition_whole_dataframe("all")


def validate(frame: pl.DataFrame, suite: gx.ExpectationSuite) -> pl.DataFrame:
    """Return (index, rule, column) of every row that fails an expectation of the suite.

    Raises
    ------
    OurFault : an expectation could not be judged at all (its own exception is in the text).
    """
    with warnings.catch_warnings(), contextlib.redirect_stderr(io.StringIO()):
        warnings.simplefilter("ignore")
        batch = _batch_definition().get_batch(batch_parameters={"dataframe": frame.to_pandas()})
        report = batch.validate(suite, result_format={"result_format": "COMPLETE"})
    return pl.concat([pl.DataFrame(schema=BROKEN_SCHEMA), *(_rows(result) for result in report.results)])


def _rows(result: Any) -> pl.DataFrame:
    if result.exception_info and result.exception_info.get("raised_exception", False):
        raise OurFault(f"a rule could not be judged: {result.exception_info}", str(result.expectation_config))
    meta = result.expectation_config.meta
    if result.success:
        return pl.DataFrame(schema=BROKEN_SCHEMA)
    rows = result.result.get("unexpected_index_list")
    if rows is None:
        raise OurFault(f"a rule failed without naming its rows: {result.result}", str(meta))
    return pl.DataFrame(
        {"index": rows, "rule": [meta["rule"]] * len(rows), "column": [meta["column"]] * len(rows)},
        schema=BROKEN_SCHEMA,
    )
