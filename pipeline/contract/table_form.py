"""What a table and a column of the output are."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Column:
    name: str
    type: str
    meaning: str
    unit: str = ""


@dataclass(frozen=True)
class Table:
    """One output table: `schema.name`, its key, and what one row is (its grain)."""

    schema: str
    name: str
    key: tuple[str, ...]
    grain: str
    columns: tuple[Column, ...]

    @property
    def full_name(self) -> str:
        return f"{self.schema}.{self.name}"

    @property
    def column_names(self) -> tuple[str, ...]:
        return tuple(c.name for c in self.columns)


def text(name: str, meaning: str) -> Column:
    return Column(name, "VARCHAR", meaning)


def count(name: str, meaning: str) -> Column:
    return Column(name, "BIGINT", meaning)


def number(name: str, meaning: str, unit: str = "") -> Column:
    return Column(name, "DOUBLE", meaning, unit)


def flag(name: str, meaning: str) -> Column:
    return Column(name, "BOOLEAN", meaning)
