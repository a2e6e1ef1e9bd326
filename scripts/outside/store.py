#!/usr/bin/env python3
"""Opens a store with DuckDB, pandas and polars as it is, and compares the lost hours per site with findings.json.

    store.py BINARY SAMPLE-FOLDER

The definitions (observed, start-up, lost, working hours) are written here a second time, in SQL, from the analysis document; they
share nothing with the program. Last line: `N passed, N failed`.
"""

import json
import os
import subprocess
import sys
import tempfile
import tomllib

import duckdb
import pandas
import polars

# One row an epoch, copies and overlaps once; how long it stands for; start-up until the first fix after a silence of more
# than 15 min, at most 120 s; lost is observed without a fix. `shift` is true inside the site's working hours.
LOST = """
with rows as (
  select site, unit, epoch_ms(time) as t, min_by(state, file_row_number) as state
  from read_parquet('{store}/fixes/**/*.parquet', hive_partitioning = true, file_row_number = true)
  group by all),
steps as (
  select *, lead(t) over w - t as ahead, t - lag(t) over w as back from rows window w as (partition by unit order by t)),
usual as (select unit, least(quantile_disc(ahead, 0.5), 10000) as usual from steps where ahead > 0 group by unit),
runs as (
  select s.*, case when ahead <= 10000 then ahead else usual end as lasts,
    sum(case when back is null or back > 900000 then 1 else 0 end) over (partition by s.unit order by t) as run
  from steps s join usual using (unit)),
told as (
  select *, min(t) over (partition by unit, run) as began,
    min(case when state = 0 then t end) over (partition by unit, run) as first_fix
  from runs)
select site,
  sum(case when {shift} and not starting then lasts else 0 end) / 3.6e6 as observed_h,
  sum(case when {shift} and not starting and state <> 0 then lasts else 0 end) / 3.6e6 as lost_h
from (select *, state <> 0 and (first_fix is null or t < first_fix) and t - began < 120000 as starting from told)
group by site order by site
"""


def shift_sql(fleet):
    """Working hours of the practice register: `Mon-Sun HH:MM-HH:MM` in a zone `Etc/GMT±N` (whose sign is turned round)."""
    cases = []
    for site in fleet["site"]:
        zone = site["time_zone"]
        if zone == "UTC" or zone == "Etc/UTC":
            offset = 0
        else:
            offset = -int(zone.removeprefix("Etc/GMT") or 0)
        parts = []
        for text in site.get("shifts", []):
            days, hours = text.split(" ")
            if days != "Mon-Sun":
                raise SystemExit(f"this check knows Mon-Sun only, not {text}")
            begin, end = (int(h[:2]) * 60 + int(h[3:]) for h in hours.split("-"))
            minute = f"((t // 60000 + {offset * 60}) % 1440)"
            if end > begin:
                parts.append(f"({minute} >= {begin} and {minute} < {end})")
            else:
                parts.append(f"({minute} >= {begin} or {minute} < {end})")
        if parts:
            cases.append(f"when '{site['id']}' then {' or '.join(parts)}")
    return f"(case site {' '.join(cases)} else true end)" if cases else "true"


def main():
    binary, samples = sys.argv[1], os.path.abspath(sys.argv[2])
    passed = failed = 0

    def check(what, good, more=""):
        nonlocal passed, failed
        passed, failed = passed + bool(good), failed + (not good)
        if not good:
            print(f"FAILED {what} {more}")

    with tempfile.TemporaryDirectory(prefix="lostfix störe ") as work:
        store, out = os.path.join(work, "store"), os.path.join(work, "report")
        for command in (["read", samples, "--store", store], ["report", "--store", store, "--out", out]):
            done = subprocess.run([binary, *command, "--quiet"], capture_output=True, text=True)
            if done.returncode not in (0, 3):
                print(done.stderr)
                print("0 passed, 1 failed")
                return 1
        findings = json.load(open(os.path.join(out, "findings.json")))
        fleet = tomllib.load(open(os.path.join(samples, "fleet.toml"), "rb"))
        rows = duckdb.sql(LOST.format(store=store, shift=shift_sql(fleet))).fetchall()
        got = {site: (observed, lost) for site, observed, lost in rows}
        compared = 0
        for site in findings["sites"]:
            if site.get("not_using_rtk"):
                continue
            observed, lost = got.get(site["site"], (0.0, 0.0))
            compared += 1
            wanted = (site["observed_hours"], site["lost_fix_hours"])
            # findings.json has four decimals.
            good = abs(observed - wanted[0]) < 1e-4 and abs(lost - wanted[1]) < 1e-4
            check(f"{site['site']}: hours by DuckDB", good, f"{(observed, lost)} against {wanted}")
        check("sites were compared", compared >= 5, str(compared))
        # The same number of rows by all three, for every table.
        for table in sorted(os.listdir(store)):
            if not os.path.isdir(os.path.join(store, table)) or table in ("bundles", "seen", "folders", "beside"):
                continue
            where = os.path.join(store, table)
            by_duck = duckdb.sql(f"select count(*) from read_parquet('{where}/**/*.parquet', hive_partitioning=true)").fetchall()[0][0]
            frame = pandas.read_parquet(where)
            other = polars.scan_parquet(os.path.join(where, "**", "*.parquet"), hive_partitioning=True).collect()
            counts = (by_duck, len(frame), other.height)
            check(f"{table}: rows by DuckDB, pandas, polars", by_duck > 0 and len(set(counts)) == 1, str(counts))
            check(f"{table}: time is a time", str(frame["time"].dtype).startswith("datetime64[ms, UTC"), str(frame["time"].dtype))
            check(f"{table}: partitions", {"site", "date", "unit"} <= set(frame.columns), str(list(frame.columns)))
    print(f"{passed} passed, {failed} failed")
    return 0 if failed == 0 and passed else 1


if __name__ == "__main__":
    sys.exit(main())
