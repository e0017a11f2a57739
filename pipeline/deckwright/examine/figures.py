"""All figures of an examination as one table, for `--json`."""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass

import numpy as np

from deckwright.examine.model import CLASSES, Columns, Examination
from deckwright.examine.strengths import MEANINGS
from deckwright.identify.ranking import Candidate, Ranking

SCHEMA = 1


def figures_json(found: Examination) -> str:
    """Return an examination as JSON; it repeats contents of cards."""
    table = {
        "schema": SCHEMA,
        "classes": list(CLASSES),
        "strengths": dict(MEANINGS),
        "code": found.code.name if found.code else None,
        **{
            one.name: _plain(getattr(found, one.name))
            for one in fields(found)
            if one.name != "code"
        },
    }
    return json.dumps(table, indent=1, ensure_ascii=False) + "\n"


def _plain(value: object) -> object:
    made = _shaped(value)
    if made is not None:
        return made
    if is_dataclass(value):
        return {one.name: _plain(getattr(value, one.name)) for one in fields(value)}
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    return [_plain(item) for item in value] if isinstance(value, (list, tuple)) else value


def _shaped(value: object) -> object:
    """Return what has a shape of its own; None for all else."""
    if isinstance(value, Columns):
        return _columns(value)
    if isinstance(value, Ranking):
        return _ranking(value)
    if isinstance(value, Candidate):
        return _candidate(value)
    return value.tolist() if isinstance(value, np.ndarray) else None


def _ranking(ranking: Ranking) -> dict[str, object]:
    return {
        "sure": ranking.sure,
        "margin": ranking.margin,
        "weight": None if np.isinf(ranking.weight) else ranking.weight,
        "sentence": ranking.sentence,
        "candidates": [_candidate(one) for one in ranking.candidates],
    }


def _candidate(candidate: Candidate) -> dict[str, object]:
    return {
        "name": candidate.name,
        "score": candidate.score,
        "options": dict(candidate.options),
        "same": list(candidate.same),
        "sentence": candidate.sentence,
        "evidence": {key: float(part) for key, part in candidate.evidence.items()},
    }


def _columns(columns: Columns) -> list[dict[str, object]]:
    return [
        {
            "column": place + 1,
            **dict(zip(CLASSES, counts, strict=True)),
            "distinct": int(columns.distinct[place]),
            "top": columns.top[place][0],
            "top_count": columns.top[place][1],
        }
        for place, counts in enumerate(columns.classes.tolist())
    ]
