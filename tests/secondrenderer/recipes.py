"""What is chosen for a box and for each of its pictures; a grade says what may be drawn on a card.

clean     lies nearly level on a backing that differs from it; nothing but its print; little loss
ordinary  a few things of every day: age, pencil, a stain, a stamp, wood or a white lid, a tilt, a
          slight bend, uneven light, a JPEG of a JPEG
damaged   tears, tape, wire, chads, ink, creases, holes far off, bent cards, a shadow, much loss
bad       something hides a part of it, or it is nearly as light as its backing, or blurred
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from . import content, marks
from .backing import ALIKE, PLAIN, USUAL
from .card import INTERPRETED, CardPlan
from .noise import Rng
from .punching import Punch
from .scene import Light
from .sensor import Sensor
from .stock import Stock, draw_stock
from .truth import GRADES

DEVICES = ("flatbed", "phone", "page")
ACCIDENTS = (
    "finger",
    "overlap",
    "cropped",
    "label",
    "rubber band",
    "torn",
    "folded",
    "alike",
    "blurred",
    "two cards",
)


@dataclass(frozen=True, slots=True)
class Box:
    """What the pictures of a box share."""

    seed: int
    device: str
    dpi: float
    stocks: tuple[Stock, ...]
    contents: tuple[str, ...]
    interpreted: str
    backing: str
    turned: int
    backs: float
    """Share of cards that show their back."""
    mirrored: bool
    colour: str
    form: str


@dataclass(frozen=True, slots=True)
class PicturePlan:
    """All that is decided about a picture before it is drawn."""

    grade: str
    cards: tuple[CardPlan, ...]
    arrangement: str
    """`alone`, `page`, `overlap`, `apart`, or `none` for no card."""
    backing: str
    light: Light
    sensor: Sensor
    turned: tuple[float, ...]
    tilt: tuple[float, float]
    bend: float
    arch: tuple[float, float]
    curl: float
    margins: tuple[float, float, float, float]
    """Of left, top, right, bottom, in mm; below 0 the picture cuts the card off."""
    fingers: int
    dpi: float
    mirrored: bool
    reject: str = ""


def plan_box(seed: int, *, device: str = "", dpi: float = 0.0) -> Box:
    """Choose what the pictures of a box share; a device or a resolution may be given."""
    rng = np.random.default_rng([seed, 71])
    device = device or str(rng.choice(DEVICES, p=[0.5, 0.36, 0.14]))
    least, most = (1, 1) if rng.random() < 0.7 else (2, 3)
    stocks = tuple(draw_stock(rng) for _ in range(int(rng.integers(least, most + 1))))
    choices = {
        "flatbed": (150, 200, 300, 400, 600),
        "phone": (150, 180, 220, 280, 320),
        "page": (150, 200, 200, 200, 300),
    }
    chances = {
        "flatbed": (0.17, 0.4, 0.35, 0.05, 0.03),
        "phone": (0.2,) * 5,
        "page": (0.25, 0.2, 0.2, 0.2, 0.15),
    }
    picked = float(rng.choice(choices[device], p=chances[device]))
    backing = _backing(rng, device)
    colour = "colour"
    if device != "phone":
        colour = str(rng.choice(["colour", "grey", "two levels"], p=[0.66, 0.27, 0.07]))
    if colour == "two levels":
        # on white, two levels would leave nothing of the holes
        backing = "open lid"
    return Box(
        seed=seed,
        device=device,
        dpi=dpi or picked,
        stocks=stocks,
        contents=tuple(str(kind) for kind in rng.choice(content.KINDS, 2)),
        interpreted=str(rng.choice(INTERPRETED, p=[0.35, 0.45, 0.2])),
        backing=backing,
        turned=int(rng.choice([0, 90, 180, 270], p=[0.7, 0.08, 0.14, 0.08])),
        backs=float(rng.choice([0.0, 0.12, 1.0], p=[0.82, 0.13, 0.05])),
        mirrored=bool(rng.random() < 0.06),
        colour=colour,
        form=str(rng.choice(["jpg", "png", "tif"], p=[0.7, 0.18, 0.12]))
        if device != "phone"
        else "jpg",
    )


def _backing(rng: Rng, device: str) -> str:
    plain = rng.random() < 0.6
    if device == "phone":
        return str(rng.choice(PLAIN if plain else USUAL))
    light = ("white lid", "white paper", "hand-coloured sheet")
    return str(rng.choice(("open lid", "black sheet") if plain else light))


def plan_picture(box: Box, number: int) -> PicturePlan:
    """Choose all about one picture of a box."""
    rng = np.random.default_rng([box.seed, 72, number])
    grade = str(rng.choice((*GRADES, "no card"), p=[0.27, 0.4, 0.19, 0.11, 0.03]))
    level = GRADES.index(grade) if grade in GRADES else 1
    plan = PicturePlan(
        grade=grade,
        cards=(),
        arrangement="none" if grade == "no card" else "page" if box.device == "page" else "alone",
        backing=box.backing,
        light=_light(rng, box, level),
        sensor=_sensor(rng, box, level),
        turned=(),
        tilt=(0.0, 0.0),
        bend=0.0,
        arch=(0.0, 0.0),
        curl=0.0,
        margins=_margins(rng, box),
        fingers=0,
        dpi=box.dpi,
        mirrored=box.mirrored,
    )
    if rng.random() < 0.1 and box.colour != "two levels":
        plan = replace(plan, backing=_backing(rng, box.device))
    if level == 0 and plan.backing not in PLAIN:
        plan = replace(plan, backing="open lid" if box.device != "phone" else "black sheet")
    if plan.backing == "light table":
        plan = replace(
            plan, light=replace(plan.light, front=float(rng.uniform(0.25, 0.5)), ambient=1.0)
        )
    if plan.arrangement == "none":
        rejects = ("nothing", "sheet", "form", "envelope", "hand")
        return replace(plan, reject=str(rng.choice(rejects)))
    number_of_cards = int(rng.integers(2, 4)) if plan.arrangement == "page" else 1
    plan = replace(plan, cards=tuple(_card(rng, box, grade, level) for _ in range(number_of_cards)))
    if level < 2 and _alike(plan):
        plan = replace(plan, backing="black sheet")
    plan = _bent(rng, box, plan, level)
    if level == 3:
        plan = _accident(rng, plan, box)
    usual = box.turned if rng.random() < 0.93 else int(rng.choice([0, 180]))
    skew = (1.2, 2.5, 4.0, 4.0)[level]
    return replace(plan, turned=tuple(usual + float(rng.normal(0, skew / 2)) for _ in plan.cards))


def _alike(plan: PicturePlan) -> bool:
    """Return whether a light card lies on white, where only shadows tell it."""
    light = any(card.stock.paper_name in ("white", "cream") for card in plan.cards)
    return light and plan.backing in ("white lid", "white paper")


def _card(rng: Rng, box: Box, grade: str, level: int) -> CardPlan:
    stock = box.stocks[int(rng.integers(len(box.stocks)))]
    kind = str(rng.choice(box.contents)) if rng.random() < 0.95 else "blank"
    slight, strong = list(marks.SLIGHT), list(marks.STRONG)
    few = [] if level == 0 else list(rng.choice(slight, int(rng.integers(0, 3)), replace=False))
    if level >= 2:
        few += list(rng.choice(strong, int(rng.integers(0, 3)), replace=False))
    punch = Punch(off=float(rng.uniform(0.2, 0.6)))
    if level == 1:
        punch = Punch(off=float(rng.uniform(0.3, 1.0)))
    elif level >= 2:
        punch = Punch(
            off=float(rng.uniform(0.5, 1.9)),
            torn=int(rng.integers(0, 6)) if rng.random() < 0.4 else 0,
            chads=int(rng.integers(1, 4)) if rng.random() < 0.25 else 0,
            pinholes=int(rng.integers(0, 3)),
        )
    return CardPlan(
        stock=stock,
        text=content.text_of(rng, kind),
        grade=grade,
        side="back" if rng.random() < box.backs else "front",
        interpreted=box.interpreted,
        punch=punch,
        age=float(rng.uniform(0, (0.3, 0.8, 1.2, 1.2)[level])),
        wear=0.0
        if level == 0 or rng.random() < 0.4
        else float(rng.uniform(0.05, (0, 0.3, 0.8, 0.8)[level])),
        marks=tuple(str(name) for name in few),
    )


def _light(rng: Rng, box: Box, level: int) -> Light:
    if box.device != "phone":
        return Light(
            across=(0.0, float(rng.choice([-1, 1]) * rng.uniform(0.3, 0.9))),
            ambient=float(rng.uniform(0.25, 0.5)),
            slope=(float(rng.normal(0, 0.02 * level)), float(rng.normal(0, 0.02 * level))),
        )
    tilt, way = float(rng.uniform(0.3, 1.4)), float(rng.uniform(0, 2 * np.pi))
    steep = (0.12, 0.3, 0.5, 0.6)[level]
    shadows = ()
    if rng.random() < (0, 0.12, 0.35, 0.4)[level]:
        dark = float(rng.uniform(0.2, (0, 0.4, 0.7, 0.85)[level]))
        shadows = ((dark, float(rng.uniform(0.5, 12)), float(rng.integers(2**31))),)
    warm = float(rng.normal(0, 0.06))
    return Light(
        across=(tilt * float(np.cos(way)), tilt * float(np.sin(way))),
        ambient=float(rng.uniform(0.2, 0.6)),
        soft=float(rng.uniform(0.1, 0.6)),
        slope=(float(rng.uniform(-steep, steep)), float(rng.uniform(-steep, steep))),
        corners=float(rng.uniform(0, (0.1, 0.25, 0.35, 0.4)[level])),
        tint=(1 + warm, 1.0, 1 - 1.5 * warm),
        shadows=shadows,
    )


def _sensor(rng: Rng, box: Box, level: int) -> Sensor:
    finest = box.dpi / 200
    blur = float(rng.uniform(0.35, (0.6, 0.8, 1.0, 1.0)[level])) * max(1.0, finest)
    best, worst = ((95, 85), (92, 62), (85, 35), (80, 25))[level]
    qualities = [int(rng.integers(worst, best + 1)) for _ in range(int(rng.integers(0, 1 + level)))]
    steps = [("jpeg", float(quality)) for quality in qualities]
    if level >= 1 and rng.random() < 0.15:
        steps.insert(0, ("scale", float(rng.uniform(0.8, 1.1))))
    if level >= 1 and rng.random() < 0.25:
        steps.append(("level", float(rng.uniform(0.8, (1, 1.12, 1.3, 1.3)[level]))))
    phone = box.device == "phone"
    return Sensor(
        blur=blur * (1.15 if phone else 1.0),
        motion=(float(rng.uniform(1.5, 4)), float(rng.uniform(0, 180)))
        if phone and level >= 2 and rng.random() < 0.2
        else (0.0, 0.0),
        mosaic=phone,
        noise=(0.001, float(10 ** rng.uniform(-5, (-3.6, -3.2, -2.7, -2.5)[level]))),
        sharpen=float(rng.uniform(0, 0.9)) if phone or rng.random() < 0.3 else 0.0,
        gain=float(rng.uniform(0.82, 1.02)) if level < 2 else float(rng.uniform(0.5, 1.35)),
        colour=box.colour,
        steps=tuple(steps),
        form=box.form,
        quality=int(rng.integers(worst, best + 1)),
        quarter=int(rng.integers(0, 4)) if phone and rng.random() < 0.3 else 0,
    )


def _margins(rng: Rng, box: Box) -> tuple[float, float, float, float]:
    least, most = (3, 14) if box.device == "flatbed" else (5, 40)
    left, top, right, bottom = (float(side) for side in rng.uniform(least, most, 4))
    return left, top, right, bottom


def _bent(rng: Rng, box: Box, plan: PicturePlan, level: int) -> PicturePlan:
    """Bend the cards and tilt the camera as the grade allows."""
    arch, curl = (0.0, 0.0), 0.0
    if rng.random() < (0.2, 0.5, 0.7, 0.7)[level]:
        most = (1.0, 3.0, 9.0, 9.0)[level] * (1.0 if box.device == "phone" else 0.3)
        arch = (float(rng.uniform(-most, most)), float(rng.uniform(-most, most) / 4))
        curl = float(rng.uniform(0, most)) if rng.random() < 0.3 else 0.0
    if box.device != "phone":
        return replace(plan, arch=arch, curl=curl)
    steep = np.radians((3, 9, 18, 22)[level])
    return replace(
        plan,
        arch=arch,
        curl=curl,
        tilt=(float(rng.normal(0, steep / 2)), float(rng.normal(0, steep / 2))),
        bend=float(rng.uniform(-0.03, 0.03)) * (0.3 + 0.35 * level),
    )


def _accident(rng: Rng, plan: PicturePlan, box: Box) -> PicturePlan:
    """Let one thing happen that makes a picture bad."""
    chosen = [
        name
        for name in ACCIDENTS
        if box.device != "page" or name not in ("overlap", "two cards", "cropped")
    ]
    what = str(rng.choice(chosen))
    first, *others = plan.cards
    if what == "finger":
        return replace(plan, fingers=int(rng.integers(1, 4)))
    if what in ("overlap", "two cards"):
        second = replace(
            _card(rng, box, plan.grade, 3),
            text=content.text_of(rng, str(rng.choice(content.KINDS))),
        )
        return replace(
            plan, cards=(first, second), arrangement="overlap" if what == "overlap" else "apart"
        )
    if what == "cropped":
        margins = list(plan.margins)
        margins[int(rng.integers(4))] = -float(rng.uniform(2, 40))
        left, top, right, bottom = margins
        return replace(plan, margins=(left, top, right, bottom))
    if what == "alike":
        return replace(plan, backing=ALIKE[0])
    if what == "blurred":
        return replace(
            plan, sensor=replace(plan.sensor, blur=float(rng.uniform(1.5, 3.5)) * box.dpi / 200)
        )
    first = (
        replace(first, lost_corner=what)
        if what in ("torn", "folded")
        else replace(first, marks=(*first.marks, what))
    )
    return replace(plan, cards=(first, *others))
