"""Compares a workbook with the tables it was made of, cell for cell. Arguments: workbook, results. Prints how many cells were compared."""

import csv
import json
import sys
from pathlib import Path

import openpyxl

book = openpyxl.load_workbook(sys.argv[1])
results = Path(sys.argv[2])
n = 0


def read(path):
    with open(path, newline="", encoding="utf-8") as f:
        rows = list(csv.reader(f))
    return rows[0], rows[1:]


def same(cell, text):
    global n
    n += 1
    if text == "":
        return cell is None
    if isinstance(cell, str):
        return cell == text
    return abs(cell - float(text)) <= 1e-12 * abs(cell)


def compare(sheet, header, rows, first=1):
    values = [[c.value for c in row] for row in book[sheet].iter_rows(min_row=first)]
    at = [values[0].index(name) for name in header]
    for row, cells in zip(values[1 : 1 + len(rows)], rows, strict=True):
        for i, text in zip(at, cells, strict=True):
            assert same(row[i], text), (sheet, header, row, cells)


header, quality = read(results / "quality.csv")
overview = [row[0].value for row in book["Overview"].iter_rows()]
first = overview.index("photo") + 1
shown = [c.value for c in book["Overview"][first] if c.value]
compare("Overview", shown, [[row[header.index(name)] for name in shown] for row in quality], first)

answers = [row[1].value for row in book["Overview"].iter_rows()].index("series") + 1
shown = [c.value for c in book["Overview"][answers] if c.value]
assert {"unknown", "unknown_sigma", "low_95", "high_95", "refused"} <= set(shown), shown
columns, rows = read(results / "series.csv")
assert rows, "the demo has a series"
compare("Overview", shown, [[row[columns.index(name)] for name in shown] for row in rows], answers)

benches = sorted({row[header.index("bench")] for row in quality})
for bench in benches:
    wide = results / bench / "spectra_wide.csv"
    if wide.exists():
        compare(bench, *read(wide))
        assert len(book[bench]._charts) == 1, bench

lines = []
for path in results.rglob("peaks.csv"):
    record = json.loads((path.parent / "quality.json").read_text(encoding="utf-8"))
    columns, rows = read(path)
    lines += [[record["bench"], record["photo"], *row] for row in rows]
key = lambda row: row[:2]
compare("Lines", ["bench", "photo", *columns], sorted(lines, key=key))

for sheet, name in {"Series": "series", "Unknowns": "concentrations", "Agreement": "class"}.items():
    columns, rows = read(results / f"{name}.csv")
    if sheet == "Unknowns":
        rows.sort(key=lambda row: [row[columns.index(c)] for c in ("bench", "series", "role")])
    if rows:
        compare(sheet, columns, rows)
assert book["Unknowns"]._charts, "a series is drawn"

described = {(row[0].value, row[1].value) for row in book["Columns"].iter_rows(min_row=2)}
for sheet in [name for name in ["Lines", "Series", "Unknowns", "Agreement"] if name in book.sheetnames]:
    for cell in book[sheet][1]:
        assert (sheet, cell.value) in described, (sheet, cell.value)
print(n)
