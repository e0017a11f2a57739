"""Post cards to a stock book: the whole book is delivered again, with what the cards change."""

from __future__ import annotations

import polars as pl

from deckwright import (
    Bench,
    Book,
    Closing,
    MasterAccount,
    Part,
    StageConfig,
    Tray,
    TrayStage,
    hookimpl,
)


class PostConfig(StageConfig):
    """Post cards to the stock book; a card without an amount takes its item out."""

    file: str = "next.csv"
    """The delivery."""


class PostStage(TrayStage[PostConfig]):
    kind = "post"

    def open(self, bench: Bench) -> None:
        self._folder = bench.folder

    def run(self, tray: Tray, book: Book) -> Tray:
        if len(tray):
            place = self._folder / f"{tray.cards[0]:020}.parquet"
            tray.frame(["item", "amount"]).write_parquet(place)
        return tray

    def next_masters(self) -> dict[str, str]:
        return {self.config.file: "stock"}

    def finish(self, closing: Closing) -> dict[str, int | str]:
        book = {"item": pl.String, "amount": pl.Int64}
        old = pl.read_csv(self.setting.files["stock"], schema=book)
        places = sorted(closing.bench.folder.glob("*.parquet"))
        read = (pl.read_parquet(each).cast({"amount": pl.Int64}) for each in places)
        cards = pl.concat([old.clear(), *read])
        new = pl.concat([old, cards]).unique("item", keep="last", maintain_order=True)
        new = new.drop_nulls("amount").sort("item")
        added = len(new.join(old, on="item", how="anti"))
        deleted = len(old.join(new, on="item", how="anti"))
        self._account = MasterAccount(len(old), added, deleted, len(new))
        data = new.write_csv(line_terminator="\r\n").encode()
        closing.deliver([Part(self.config.file, data, rows=len(new))])
        return {"posted": len(cards)}

    def master_account(self, file: str, closing: Closing) -> MasterAccount:
        return self._account


@hookimpl
def deckwright_stages() -> list[type[PostStage]]:
    return [PostStage]
