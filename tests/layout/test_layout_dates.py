"""Dates in every form, against a reader of one card at a time."""

from __future__ import annotations

import calendar
import datetime as dt
import re

from hypothesis import given
from hypothesis import strategies as st

from layout_cards import deck, one_field, told

EPOCH = dt.date(1970, 1, 1)


FORMS = ["YYYYMMDD", "YYMMDD", "DDMMYY", "DD/MM/YYYY", "YYYY-MM-DD", "YYYYMM", "YYDDD", "YYYY.DDD",
         "MMYY", "YYYY", "MM*DD*YY", "DDD/YYYY", "YYYY  MM  DD"]  # fmt: skip


def date_of(text, form, century):
    """Return the days since 1970 that one field says, or None."""
    found = {}
    place = 0
    for token in re.findall(r"YYYY|YY|MM|DDD|DD|.", form):
        part = text[place : place + len(token)]
        place += len(token)
        if token[0] not in "YMD":
            if part != token:
                return None
        elif re.fullmatch(r"\d+", part, re.ASCII):
            found[token] = int(part)
        else:
            return None
    year = found.get("YYYY")
    if year is None:
        year = next(y for y in range(century, century + 100) if y % 100 == found["YY"])
    return day_of(year, found) if 1 <= year <= 9999 else None


def day_of(year, found):
    if "DDD" in found:
        exists = 1 <= found["DDD"] <= 365 + calendar.isleap(year)
        return (dt.date(year, 1, 1) - EPOCH).days + found["DDD"] - 1 if exists else None
    month, day = found.get("MM", 1), found.get("DD", 1)
    if not 1 <= month <= 12 or not 1 <= day <= calendar.monthrange(year, month)[1]:
        return None
    return (dt.date(year, month, day) - EPOCH).days


@given(
    form=st.sampled_from(FORMS), century=st.sampled_from([1800, 1900, 1950, 2000]), data=st.data()
)
def test_dates_are_read_as_one_card_at_a_time_reads_them(form, century, data):
    layout = one_field(len(form), kind="date", form=form, century=century)
    pattern = re.sub(r"[YMD]", "[0-9]", re.escape(form).replace("\\ ", " "))
    close = st.builds(
        lambda date: re.sub(
            "YYYY|YY|MM|DDD|DD",
            lambda t: {"YYYY": f"{date.year:04}", "YY": f"{date.year % 100:02}",
                       "MM": f"{date.month:02}", "DD": f"{date.day:02}",
                       "DDD": f"{date.timetuple().tm_yday:03}"}[t[0]],
            form,
        ),
        st.dates(),
    )  # fmt: skip
    mess = st.text("0123456789/-. ", min_size=len(form), max_size=len(form))
    texts = data.draw(st.lists(st.from_regex(pattern, fullmatch=True) | close | mess, min_size=1))
    for text, got in zip(texts, told(layout, deck(*texts)), strict=True):
        want = date_of(text, form, century)
        if not text.strip():
            assert got is None
        elif want is None:
            assert got in ("no-such-date", "not-a-digit"), text
        else:
            assert got == want, text


def test_leading_blanks_in_a_date_are_read_where_the_field_is_filled_with_blanks():
    texts = [" 1/ 2/57", "01/ 2/57", "1 / 2/57"]
    got = told(one_field(8, kind="date", form="DD/MM/YY", fill=" "), deck(*texts))
    day = (dt.date(1957, 2, 1) - EPOCH).days
    assert got == [day, day, "not-a-digit"]
    strict = told(one_field(8, kind="date", form="DD/MM/YY"), deck(*texts))
    assert strict == ["not-a-digit"] * 3
