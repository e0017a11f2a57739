"""Make the deck and the master of the reference chain; all stations and observers are invented.

Columns from 1: 1 code, 2-9 station with Luhn digit, 10-17 day, 18-22 temperature in 0.01 degree
Fahrenheit with the sign over column 22, 23-27 rain in 0.01 inch, 28-47 observer, 48-72 remarks,
73-80 running number. One card in a hundred has one of ten faults (ERR), one in two hundred names a
station that the master lacks. Every 250,000 cards have a seed of their own, so that a short deck
is the beginning of a long one.
"""

import argparse
import sys
import numpy as np

CHUNK = 250_000
NSTATION = 50_000
ERR = [
    "letter_station",
    "letter_date",
    "letter_amount",
    "letter_reading",
    "bad_date",
    "bad_check",
    "range_amount",
    "range_reading",
    "blank_observer",
    "blank_station",
]
A2E = bytes(bytes([i]).decode("latin-1").encode("cp037")[0] for i in range(256))
POS = np.frombuffer(b"{ABCDEFGHI", np.uint8)
NEG = np.frombuffer(b"}JKLMNOPQR", np.uint8)
DBL = np.array([0, 2, 4, 6, 8, 1, 3, 5, 7, 9])


def put(m, col, width, v):
    v = np.asarray(v, np.int64).copy()
    for j in range(col + width - 1, col - 1, -1):
        m[:, j] = 48 + v % 10
        v //= 10


def with_check(payload):
    """7-digit payload -> 8-digit id whose last digit is the mod-10 (Luhn) check digit."""
    s = np.zeros(len(payload), np.int64)
    p = payload.copy()
    for k in range(7):  # rightmost payload digit is doubled
        d = p % 10
        p //= 10
        s += DBL[d] if k % 2 == 0 else d
    return payload * 10 + (-s) % 10


def words(rng, n, width, lo, hi):
    con, vow = "BCDFGHKLMNPRSTVW", "AEIOU"
    out = []
    for _ in range(n):
        w = " ".join(
            "".join(con[rng.integers(16)] + vow[rng.integers(5)] for _ in range(rng.integers(2, 5)))
            for _ in range(rng.integers(lo, hi))
        )
        out.append(w[:width].rstrip().ljust(width).encode())
    return np.frombuffer(b"".join(out), np.uint8).reshape(n, width)


def master(seed):
    rng = np.random.default_rng([seed, 1])
    pay = rng.choice(10_000_000, NSTATION + 500, replace=False)
    ids = with_check(pay)
    return ids[:NSTATION], ids[NSTATION:]  # known, unknown


def write_master(path, seed):
    ids, _ = master(seed)
    rng = np.random.default_rng([seed, 2])
    names = words(rng, NSTATION, 20, 1, 4)
    lat = rng.uniform(-60, 75, NSTATION)
    lon = rng.uniform(-180, 180, NSTATION)
    with open(path, "w", newline="") as f:
        f.write("station,name,lat,lon\n")
        for i in range(NSTATION):
            f.write(
                f"{ids[i]:08d},{names[i].tobytes().decode().rstrip()},{lat[i]:.4f},{lon[i]:.4f}\n"
            )


def chunk(seed, k, n, ids, unk, obs, rem, days):
    rng = np.random.default_rng([seed, 10, k])
    m = np.full((CHUNK, 80), 32, np.uint8)
    N = CHUNK
    m[:, 0] = 49 + rng.integers(0, 3, N)
    st = ids[rng.integers(0, len(ids), N)]
    miss = rng.random(N) < 0.005
    st = np.where(miss, unk[rng.integers(0, len(unk), N)], st)
    put(m, 1, 8, st)
    put(m, 9, 8, days[rng.integers(0, len(days), N)])
    amt = np.clip(np.rint(rng.normal(5000, 2500, N)), -9900, 13900).astype(np.int64)
    rd = np.where(
        rng.random(N) < 0.7, 0, np.minimum(rng.exponential(300, N).astype(np.int64), 19999)
    )
    e = np.where(rng.random(N) < 0.01, rng.integers(0, len(ERR), N), -1)
    amt = np.where(e == 6, 15000 + rng.integers(0, 80000, N), amt)
    rd = np.where(e == 7, 20001 + rng.integers(0, 70000, N), rd)
    put(m, 17, 5, np.abs(amt))
    m[:, 21] = np.where(amt < 0, NEG[np.abs(amt) % 10], POS[np.abs(amt) % 10])
    put(m, 22, 5, rd)
    m[:, 27:47] = obs[rng.integers(0, len(obs), N)]
    full = rng.random(N) < 0.5
    m[:, 47:72] = np.where(full[:, None], rem[rng.integers(0, len(rem), N)], 32)
    put(m, 72, 8, (np.arange(k * CHUNK, k * CHUNK + N) + 1) % 100_000_000)
    pos = rng.integers(0, 4, N)
    for code, col in ((0, 1), (1, 9), (2, 17), (3, 22)):
        i = np.flatnonzero(e == code)
        m[i, col + pos[i]] = 88  # 'X'
    i = np.flatnonzero(e == 4)
    m[i, 13:17] = np.frombuffer(b"1301023006310229", np.uint8).reshape(4, 4)[pos[i]]
    m[i[pos[i] == 3], 9:13] = np.frombuffer(b"1901", np.uint8)  # 29 Feb of a common year
    i = np.flatnonzero(e == 5)
    m[i, 8] = 48 + (m[i, 8] - 48 + 1) % 10
    m[e == 8, 27:47] = 32
    m[e == 9, 1:9] = 32
    return m[:n]


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--cards", type=float, required=True)
    ap.add_argument(
        "--encoding",
        choices=["cp037", "ascii"],
        default="cp037",
        help="cp037: 80-byte records, no line ends; ascii: lines of 80 + LF",
    )
    ap.add_argument("--out", required=True)
    ap.add_argument("--master", help="also write the station master (CSV)")
    ap.add_argument("--seed", type=int, default=1890)
    a = ap.parse_args()
    n = int(a.cards)
    if a.master:
        write_master(a.master, a.seed)
    ids, unk = master(a.seed)
    rng = np.random.default_rng([a.seed, 3])
    obs, rem = words(rng, 2000, 20, 2, 4), words(rng, 500, 25, 1, 4)
    d = np.arange("1900-01-01", "1910-01-01", dtype="datetime64[D]")
    days = np.array([int(str(x).replace("-", "")) for x in d])
    f = sys.stdout.buffer if a.out == "-" else open(a.out, "wb")
    for k in range(-(-n // CHUNK)):
        m = chunk(a.seed, k, min(CHUNK, n - k * CHUNK), ids, unk, obs, rem, days)
        if a.encoding == "cp037":
            f.write(m.tobytes().translate(A2E))
        else:
            o = np.full((len(m), 81), 10, np.uint8)
            o[:, :80] = m
            f.write(o.data)
    f.close()


if __name__ == "__main__":
    main()
