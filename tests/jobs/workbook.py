"""Compares a workbook with the tables it was made of, cell for cell. Arguments: workbook, results, then what the sheets of overview, lines,
series, unknowns, agreement and columns are called, the horizontal axis of spectra, and the words for verdicts. Prints how many cells were
compared."""

import csv
import json
import sys
from pathlib import Path

import openpyxl

book = openpyxl.load_workbook(sys.argv[1])
results = Path(sys.argv[2])
OVERVIEW, LINES, SERIES, UNKNOWNS, AGREEMENT, COLUMNS, WAVELENGTH, *VERDICTS = sys.argv[3:]
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


assert book.sheetnames[0] == OVERVIEW and book.sheetnames[-1] == COLUMNS, book.sheetnames
assert [c.value for c in book[OVERVIEW][4]][1 : 1 + len(VERDICTS)] == VERDICTS

header, quality = read(results / "quality.csv")
overview = [row[0].value for row in book[OVERVIEW].iter_rows()]
first = overview.index("photo") + 1
shown = [c.value for c in book[OVERVIEW][first] if c.value]
compare(OVERVIEW, shown, [[row[header.index(name)] for name in shown] for row in quality], first)

answers = [row[1].value for row in book[OVERVIEW].iter_rows()].index("series") + 1
shown = [c.value for c in book[OVERVIEW][answers] if c.value]
assert {"unknown", "unknown_sigma", "low_95", "high_95", "refused"} <= set(shown), shown
columns, rows = read(results / "series.csv")
assert rows, "the demo has a series"
compare(OVERVIEW, shown, [[row[columns.index(name)] for name in shown] for row in rows], answers)

benches = sorted({row[header.index("bench")] for row in quality})
for bench in benches:
    wide = results / bench / "spectra_wide.csv"
    if wide.exists():
        compare(bench, *read(wide))
        [chart] = book[bench]._charts
        assert chart.x_axis.title.tx.rich.p[0].r[0].t == WAVELENGTH, bench

lines = []
for path in results.rglob("peaks.csv"):
    record = json.loads((path.parent / "quality.json").read_text(encoding="utf-8"))
    columns, rows = read(path)
    lines += [[record["bench"], record["photo"], *row] for row in rows]
key = lambda row: row[:2]
compare(LINES, ["bench", "photo", *columns], sorted(lines, key=key))

for sheet, name in {SERIES: "series", UNKNOWNS: "concentrations", AGREEMENT: "class"}.items():
    columns, rows = read(results / f"{name}.csv")
    if sheet == UNKNOWNS:
        rows.sort(key=lambda row: [row[columns.index(c)] for c in ("bench", "series", "role")])
    if rows:
        compare(sheet, columns, rows)
assert book[UNKNOWNS]._charts, "a series is drawn"

described = {(row[0].value, row[1].value) for row in book[COLUMNS].iter_rows(min_row=2)}
for sheet in [name for name in [LINES, SERIES, UNKNOWNS, AGREEMENT] if name in book.sheetnames]:
    for cell in book[sheet][1]:
        assert (sheet, cell.value) in described, (sheet, cell.value)
print(n)
