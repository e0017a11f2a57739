"""Reading a master: CSV, Parquet, an SQLite table, or fixed-width records with a layout."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import polars as pl

from deckwright import (
    ConfigModel,
    FieldShape,
    MasterError,
    OptionProblem,
    Setting,
    Tray,
    must_be_without_codes,
    shapes_of,
)
from deckwright import unknown_name as unknown

RECORDS_A_BATCH = 50_000
Kind = Literal["csv", "parquet", "sqlite", "fixed"]
_SUFFIXES: dict[str, Kind] = {
    ".csv": "csv",
    ".parquet": "parquet",
    ".sqlite": "sqlite",
    ".sqlite3": "sqlite",
    ".db": "sqlite",
}


class MasterConfig(ConfigModel):
    """A master file."""

    file: str
    """Its name under [files] of the job."""
    kind: Kind | None = None
    """How it is held; by its suffix when left out, and fixed-width when a layout is given."""
    layout: str = ""
    """Layout of fixed-width records."""
    table: str = ""
    """Table of an SQLite file; needed when it holds more than one."""
    code: str = "ascii"
    """Code of fixed-width records."""


class MasterFile:
    """A master file, opened to be read from the beginning in batches."""

    def __init__(self, config: MasterConfig, setting: Setting) -> None:
        """Check that the file is there and what it is.

        Raises:
            OptionProblem: it is not named, not there, or not of a kind that can be read.
        """
        if config.file not in setting.files:
            raise OptionProblem(unknown("file", config.file, setting.files), "master")
        self.name, self.config, self.setting = config.file, config, setting
        self.path: Path = setting.files[config.file]
        if not self.path.is_file():
            where = f"{self.path.parent.name}/{self.path.name}"
            what = (
                f"master {self.name!r}: there is no file {where!r}; correct [files], or give "
                f"another with --with {self.name}=PATH"
            )
            raise OptionProblem(what, "master")
        self.kind = config.kind or (
            "fixed" if config.layout else _SUFFIXES.get(self.path.suffix.lower())
        )
        if self.kind is None:
            suffix = self.path.suffix
            what = f"master {self.name!r}: suffix {suffix!r} tells no kind; give 'kind' or 'layout'"
            raise OptionProblem(what, "master")
        if self.kind == "fixed" and not config.layout:
            what = f"master {self.name!r}: fixed-width records need a 'layout'"
            raise OptionProblem(what, "master")
        self.shapes = self._shapes()
        self.personal: frozenset[str] = frozenset()
        """Columns whose text no message may hold, nor a delivery that does not name it."""

    def batches(self, columns: list[str]) -> Iterator[pl.DataFrame]:
        """Yield the named columns in batches, in the order of the file.

        Raises:
            MasterError: the file cannot be read as what it should be.
        """
        readers = {
            "csv": self._csv,
            "parquet": self._parquet,
            "sqlite": self._sqlite,
            "fixed": self._fixed,
        }
        assert self.kind is not None  # noqa: S101 # checked when it was opened
        try:
            yield from readers[self.kind](columns)
        except (pl.exceptions.PolarsError, sqlite3.Error, OSError) as error:
            if self.personal:  # a library's message may repeat what it stumbled on
                what = f"cannot be read ({type(error).__name__})"
                raise MasterError(self.name, what) from None
            what = f"cannot be read: {str(error).splitlines()[0]}"
            raise MasterError(self.name, what) from error

    def _shapes(self) -> dict[str, FieldShape]:
        if self.kind == "fixed":
            layout = self.setting.layout(self.config.layout)
            must_be_without_codes(layout, "a master")
            return shapes_of(layout)
        try:
            if self.kind == "csv":
                schema = dict(pl.scan_csv(self.path, infer_schema=False).collect_schema())
            elif self.kind == "parquet":
                schema = dict(pl.scan_parquet(self.path).collect_schema())
            else:
                return {name: FieldShape("text", 0) for name in self._table_columns()}
        except (pl.exceptions.PolarsError, OSError) as error:
            what = f"master {self.name!r} cannot be read: {str(error).splitlines()[0]}"
            raise OptionProblem(what, "master") from error
        return {name: _shape(dtype) for name, dtype in schema.items()}

    def _csv(self, columns: list[str]) -> Iterator[pl.DataFrame]:
        frame = pl.scan_csv(self.path, infer_schema=False)
        yield from frame.select(columns).collect_batches(
            chunk_size=RECORDS_A_BATCH, maintain_order=True
        )

    def _parquet(self, columns: list[str]) -> Iterator[pl.DataFrame]:
        frame = pl.scan_parquet(self.path).select(columns)
        yield from frame.collect_batches(chunk_size=RECORDS_A_BATCH, maintain_order=True)

    def _connect(self) -> sqlite3.Connection:
        return sqlite3.connect(f"{self.path.resolve().as_uri()}?mode=ro", uri=True)

    def _table(self, connection: sqlite3.Connection) -> str:
        query = "SELECT name FROM sqlite_master WHERE type IN ('table', 'view') ORDER BY name"
        tables = [str(row[0]) for row in connection.execute(query)]
        wanted = self.config.table or (tables[0] if len(tables) == 1 else "")
        if wanted not in tables:
            what = f"master {self.name!r}: {unknown('table', wanted, tables)}"
            raise OptionProblem(what, "master")
        return wanted

    def _table_columns(self) -> list[str]:
        try:
            connection = self._connect()
            try:
                table = self._table(connection).replace('"', '""')
                rows = connection.execute(f'PRAGMA table_info("{table}")').fetchall()
            finally:
                connection.close()
        except sqlite3.Error as error:
            what = f"master {self.name!r} cannot be read: {error}"
            raise OptionProblem(what, "master") from error
        return [str(row[1]) for row in rows]

    def _sqlite(self, columns: list[str]) -> Iterator[pl.DataFrame]:
        connection = self._connect()
        try:
            table = self._table(connection).replace('"', '""')
            names = ", ".join(
                "CAST(" + quoted + " AS TEXT)"
                for quoted in ('"' + c.replace('"', '""') + '"' for c in columns)
            )
            cursor = connection.execute(f'SELECT {names} FROM "{table}" ORDER BY rowid')  # noqa: S608 # names quoted above
            while rows := cursor.fetchmany(RECORDS_A_BATCH):
                schema = dict.fromkeys(columns, pl.String)
                yield pl.DataFrame(rows, schema=schema, orient="row")
        finally:
            connection.close()

    def _fixed(self, columns: list[str]) -> Iterator[pl.DataFrame]:
        layout = self.setting.layout(self.config.layout)
        medium = self.setting.medium(
            {"kind": "text", "code": self.config.code, "record_length": layout.width},
        )
        survey = medium.survey(self.path, RECORDS_A_BATCH)
        for span in survey.spans:
            for raw in medium.read(self.path, span, RECORDS_A_BATCH):
                for odd in raw.odd:
                    if odd.severity == "fatal":
                        said = odd.reason if self.personal else odd.detail
                        what = f"record {raw.first_card + int(odd.rows[0])}: {said}"
                        raise MasterError(self.name, what)
                cards = pl.arange(len(raw.text), eager=True).to_numpy()
                yield Tray(cards, raw.text, medium.code).with_reading(layout).frame(columns)


def _shape(dtype: pl.DataType) -> FieldShape:
    if isinstance(dtype, pl.Decimal):
        return FieldShape("decimal", 18, dtype.scale)
    if dtype.is_integer():
        return FieldShape("whole", 18)
    if dtype == pl.Date:
        return FieldShape("date", 10)
    return FieldShape("text", 0)
