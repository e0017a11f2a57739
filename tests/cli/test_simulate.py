"""`deckwright simulate`: invented pictures, the same for a seed, and what was read against them."""

from __future__ import annotations

import zipfile

import numpy as np
import polars as pl
import pytest

pytest.importorskip("cv2", reason="pictures need the extra 'pictures'")
pytest.importorskip("PIL", reason="pictures need the extra 'pictures'")

from PIL import Image

from deckwright.cards.codes import load_code
from deckwright.cards.holes import spread_rows
from deckwright.pictures.simulator.scoring import read_truth

FEW = ("--cards", "2", "--ppi", "100")


def test_the_same_seed_gives_the_same_bytes(shop, tmp_path):
    made = [tmp_path / f"{name}.zip" for name in ("first", "again", "other")]
    for path, seed in zip(made, ("5", "5", "6"), strict=True):
        said = shop.say("simulate", "--out", str(path), *FEW, "--seed", seed)
        assert said.code == 0
        assert said.out.startswith(f"invented pictures of 2 cards: {path}\n")
        assert (tmp_path / f"{path.name}.truth.csv").is_file()
    first, again, other = (path.read_bytes() for path in made)
    assert first == again
    assert first != other


@pytest.mark.parametrize(
    ("name", "pages"), [("deck.tar", 0), ("deck.tif", 2), ("deck", 2), ("deep/deck", 2)]
)
def test_pictures_go_where_the_name_says(shop, tmp_path, name, pages):
    said = shop.say("simulate", "--out", str(tmp_path / name), *FEW, "--form", "jpg")
    assert said.code == 0
    if name.endswith(".tif"):
        with Image.open(tmp_path / name) as image:
            assert image.n_frames == pages
            assert image.info["dpi"] == pytest.approx((100, 100))
    elif pages:
        assert len(list((tmp_path / name).glob("card-00000?.jpg"))) == pages


def test_cards_of_a_deck_are_drawn(shop, tmp_path):
    deck = tmp_path / "deck.txt"
    deck.write_text("CARD 1\nCARD 22\nCARD 333\n", encoding="ascii")
    out, truth = tmp_path / "deck.zip", tmp_path / "truth.csv"
    said = shop.say(
        "simulate", str(deck), "--medium", '{ kind = "text" }', *FEW,
        "--condition", "clean", "--condition", "upside down", "--backing", "dark",
        "--damage", "blur=0.2", "--out", str(out), "--truth", str(truth),
    )  # fmt: skip
    assert said.code == 0
    rows = read_truth(truth)
    assert zipfile.ZipFile(out).namelist() == [row["picture"] for row, _ in rows]
    assert [row["text"].strip() for row, _ in rows] == ["CARD 1", "CARD 22"]
    assert [row["condition"] for row, _ in rows] == ["clean", "upside-down"]
    assert [row["turned"] for row, _ in rows] == ["", "upside-down"]
    assert not any(" " in row[key] for row, _ in rows for key in ("condition", "damages", "turned"))
    assert all(row["backing"] == "dark" and "blur=0.200" in row["damages"] for row, _ in rows)
    holes = load_code("ascii").to_holes
    assert rows[1][1].tolist() == [holes[ord(one)] for one in "CARD 22".ljust(80)]


def test_what_was_read_is_compared_with_the_truth(shop, tmp_path):
    truth = tmp_path / "truth.csv"
    names = ("clean", "pencil", "tear", "blur")
    lines = [f"{n}.png,{n},,300,dark,,,{'800' * 80}\n" for n in names]
    head = "picture,condition,damages,ppi,backing,turned,text,patterns\n"
    truth.write_text(head + "".join(lines), encoding="ascii")
    right = np.full(80, 0x800, np.uint16)
    wrong = right.copy()
    wrong[[3, 4]] = 0x400
    chances = [spread_rows(holes).T.astype(np.float32).ravel().tolist() for holes in (right, wrong)]
    (tmp_path / "run" / "out").mkdir(parents=True)
    pl.DataFrame(
        {
            "picture": ["clean.png", "pencil.png", "tear.png"],
            "state": ["read", "look", "bad"],
            "unsure_columns": [0, 3, None],
            "probability": [chances[1], chances[0], None],
        },
        schema_overrides={"probability": pl.List(pl.Float32)},
    ).write_parquet(tmp_path / "run" / "out" / "reading.parquet")
    said = shop.say("simulate", "--score", str(tmp_path / "run"), "--truth", str(truth))
    lines = said.out.splitlines()
    assert lines[1].split() == ["clean", "1", "0", "%", "0", "0", "2"]
    assert lines[2].split() == ["pencil", "1", "100", "%", "0", "3", "0"]
    assert lines[3].split() == ["tear", "1", "100", "%", "1", "0", "0"]
    assert lines[-3].split() == ["all", "4", "50", "%", "1", "3", "2"]
    assert lines[-2] == "80 columns went on without a person, 2 of them wrong"
    assert lines[-1] == "1 of the pictures in the truth is not in the reading"


@pytest.mark.parametrize(
    ("arguments", "code", "sentence"),
    [
        ([], 2, "say with --out where the pictures go"),
        (["--out", "x.zip", "--condition", "wet"], 2, "there is no condition 'wet'; there are"),
        (["--out", "x.zip", "--damage", "blur"], 2, "--damage 'blur': the strength should be"),
        (["--out", "x.zip", "--damage", "rain=1"], 2, "there is no damage 'rain'; did you mean"),
        (["--score", "run"], 2, "--score wants the truth"),
        (["--score", "run", "--truth", "none.csv"], 4, "none.csv: cannot be read"),
        (["--out", "there"], 73, "exists already; name another or move it away"),
        (["none.txt", "--out", "x.zip"], 4, "none.txt"),
    ],
)
def test_a_mistake_ends_in_a_sentence(shop, tmp_path, monkeypatch, arguments, code, sentence):
    (tmp_path / "there").mkdir()
    monkeypatch.chdir(tmp_path)
    said = shop.say("simulate", *arguments)
    assert said.code == code
    assert sentence in said.err
    assert not (tmp_path / "x.zip").exists()
    assert not (tmp_path / "x.zip.part").exists()


def test_what_is_no_run_or_no_truth_is_refused(shop, tmp_path):
    truth = tmp_path / "truth.csv"
    truth.write_text("picture,patterns\na.png,123\n", encoding="ascii")
    said = shop.say("simulate", "--score", str(tmp_path), "--truth", str(truth))
    assert (said.code, "is no truth file" in said.err) == (4, True)
    truth.write_text(f"picture,condition,patterns\na.png,clean,{'000' * 80}\n", encoding="ascii")
    said = shop.say("simulate", "--score", str(tmp_path), "--truth", str(truth))
    assert (said.code, "is no run folder of a deck of pictures" in said.err) == (4, True)
