"""The reference chain as SQL written by hand for DuckDB, without any account of the cards.

Reads EBCDIC records of 80 or ASCII lines; writes out.csv, out.dck and rejects.csv into --out.
"""

import argparse
import os
import duckdb

A2E = bytes(bytes([i]).decode("cp037").encode("latin-1")[0] for i in range(256))


def batches(path, n=131_072):
    """cp037 deck -> Arrow batches of (card, line)."""
    import numpy as np
    import pyarrow as pa

    schema = pa.schema([("card", pa.int64()), ("line", pa.string())])

    def gen():
        base = 0
        with open(path, "rb") as f:
            while buf := f.read(80 * n):
                k = len(buf) // 80
                line = pa.StringArray.from_buffers(
                    k,
                    pa.py_buffer(np.arange(0, 80 * k + 1, 80, dtype=np.int32)),
                    pa.py_buffer(buf.translate(A2E)),
                )
                yield pa.record_batch([pa.array(np.arange(base + 1, base + k + 1)), line], schema)
                base += k

    return pa.RecordBatchReader.from_batches(schema, gen())


def digits(expr, n):
    return " + ".join(
        f"(({expr} // {10**k}) % 10)"
        if k % 2 == 0
        else f"((({expr} // {10**k}) % 10) * 2 - CASE WHEN ({expr} // {10**k}) % 10 > 4 THEN 9 ELSE 0 END)"
        for k in range(n)
    )


SQL = """
CREATE TEMP TABLE v AS
WITH f AS (
  SELECT card, line, substring(line, 1, 1) AS code, substring(line, 2, 8) AS s, substring(line, 10, 8) AS d, substring(line, 18, 5) AS a, substring(line, 23, 5) AS r,
         substring(line, 28, 20) AS o,
         TRY_CAST(substring(line, 18, 4) AS INTEGER) AS a4, substring(line, 22, 1) AS a5 FROM src),
n AS (
  SELECT *, CASE WHEN regexp_full_match(s, '[0-9]{8}') THEN s::INTEGER END AS station,
         CASE WHEN regexp_full_match(d, '[0-9]{8}') THEN 1 END AS dn,
         CASE WHEN regexp_full_match(a, '[0-9]{4}[0-9{A-I]') THEN
                a4 * 10 + greatest(instr('{ABCDEFGHI', a5), instr('0123456789', a5)) - 1
              WHEN regexp_full_match(a, '[0-9]{4}[}J-R]') THEN
                1 - a4 * 10 - instr('}JKLMNOPQR', a5) END AS f100,
         CASE WHEN regexp_full_match(r, '[0-9]{5}') THEN r::INTEGER END AS reading
  FROM f),
t AS (SELECT *, CASE WHEN dn = 1 THEN try_strptime(d, '%Y%m%d')::DATE END AS date FROM n)
SELECT card, line, station, date, f100, reading,
  CASE WHEN code NOT IN ('1', '2', '3') THEN 'BAD_CODE'
       WHEN s = '        ' THEN 'BLANK_STATION'
       WHEN o = repeat(' ', 20) THEN 'BLANK_OBSERVER'
       WHEN station IS NULL THEN 'NONNUM_STATION'
       WHEN dn IS NULL THEN 'NONNUM_DATE'
       WHEN f100 IS NULL THEN 'NONNUM_AMOUNT'
       WHEN reading IS NULL THEN 'NONNUM_READING'
       WHEN (__LUHN__) % 10 <> 0 THEN 'CHECK_STATION'
       WHEN date IS NULL THEN 'BAD_DATE'
       WHEN f100 NOT BETWEEN -10000 AND 14000 THEN 'RANGE_AMOUNT'
       WHEN reading > 20000 THEN 'RANGE_READING'
       WHEN m.id IS NULL THEN 'NO_MASTER' END AS reason,
  m.name, m.lat, m.lon
FROM t LEFT JOIN master m ON m.id = t.station;

COPY (SELECT card, reason, line FROM v WHERE reason IS NOT NULL ORDER BY card) TO '__OUT__/rejects.csv' (HEADER);

CREATE TEMP TABLE o AS
SELECT card, line, station, date, name, lat, lon, f100, reading,
       ((f100 - 3200) * 10 + 9 + 18 * 20000) // 18 - 20000 AS c100, (reading * 254 + 50) // 100 AS mm10
FROM v WHERE reason IS NULL ORDER BY station, date, card;
DROP TABLE v;

COPY (SELECT card, substring(line, 1, 1) AS code, substring(line, 2, 8) AS station, name, lat, lon, date,
             (f100 / 100)::DECIMAL(7,2) AS amount_f, (c100 / 100)::DECIMAL(7,2) AS amount_c, reading,
             (mm10 / 10)::DECIMAL(7,2) AS mm, rtrim(substring(line, 28, 20)) AS observer,
             nullif(rtrim(substring(line, 48, 25)), '') AS remarks FROM o) TO '__OUT__/out.csv' (HEADER);

COPY (SELECT substring(line, 1, 17) || lpad((abs(c100) // 10)::VARCHAR, 4, '0') ||
             (CASE WHEN c100 < 0 THEN '}JKLMNOPQR' ELSE '{ABCDEFGHI' END)[abs(c100) % 10 + 1] ||
             lpad(mm10::VARCHAR, 5, '0') || rpad(name, 20, ' ') || substring(line, 48, 25) ||
             lpad((row_number() OVER ())::VARCHAR, 8, '0') FROM o)
  TO '__OUT__/out.dck' (FORMAT csv, HEADER false, QUOTE '', ESCAPE '', DELIMITER '\x01');
"""


def main():
    ap = argparse.ArgumentParser(description=__doc__)
    ap.add_argument("--deck", required=True)
    ap.add_argument("--encoding", choices=["cp037", "ascii"], default="cp037")
    ap.add_argument("--master", required=True)
    ap.add_argument("--out", required=True)
    ap.add_argument("--memory", default="512MB")
    ap.add_argument("--threads", type=int, default=2)
    a = ap.parse_args()
    os.makedirs(a.out, exist_ok=True)
    con = duckdb.connect()
    con.execute(
        f"SET memory_limit='{a.memory}'; SET threads={a.threads}; SET temp_directory='{a.out}/tmp'"
    )
    con.execute(f"""CREATE TABLE master AS SELECT station::INTEGER AS id, name, lat, lon FROM read_csv('{a.master}',
                    header=true, columns={{'station':'VARCHAR','name':'VARCHAR','lat':'VARCHAR','lon':'VARCHAR'}})""")
    if a.encoding == "cp037":
        src = batches(a.deck)
        con.register("src", src)
    else:
        con.execute(f"""CREATE VIEW src AS SELECT row_number() OVER () AS card, line FROM read_csv('{a.deck}',
            auto_detect=false, header=false, columns={{'line':'VARCHAR'}}, delim='\x01', quote='', escape='')""")
    con.execute(SQL.replace("__OUT__", a.out).replace("__LUHN__", digits("station", 8)))


if __name__ == "__main__":
    main()
