"""Bundles of arrays with one element a recording: dataclasses and named tuples of them, or of other bundles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from itertools import chain
from typing import Any

import numpy as np
import polars as pl


def some_of(parts: Any, k: np.ndarray) -> Any:
    """Return elements k of a bundle's arrays; an array without elements stays as it is."""
    if isinstance(parts, np.ndarray):
        return parts[k] if len(parts) else parts
    if isinstance(parts, tuple):
        return type(parts)(*(some_of(part, k) for part in parts))
    return replace(parts, **{f.name: some_of(getattr(parts, f.name), k) for f in fields(parts)})


def put_in(whole: Any, some: Any, k: np.ndarray) -> Any:
    """Return an array, or a bundle, with its elements k replaced by those of `some`; an array without elements stays
    as it is."""
    if isinstance(whole, np.ndarray):
        if not len(whole):
            return whole
        out = whole.copy()
        out[k] = some
        return out
    return replace(
        whole,
        **{f.name: put_in(getattr(whole, f.name), getattr(some, f.name), k) for f in fields(whole)},
    )


def joined(parts: Sequence[Any]) -> Any:
    """Return arrays, frames and lists one after the other, and bundles of them; what is None is so in all of them."""
    first = parts[0]
    if first is None or len(parts) == 1:
        return first
    if isinstance(first, np.ndarray):
        return np.concatenate(parts)
    if isinstance(first, pl.DataFrame):
        return pl.concat(parts)
    if isinstance(first, list):
        return list(chain.from_iterable(parts))
    if isinstance(first, tuple):
        return type(first)(*map(joined, zip(*parts, strict=True)))
    return replace(
        first, **{f.name: joined([getattr(part, f.name) for part in parts]) for f in fields(first)}
    )
