"""Reads an export with pandas: the tables of each format are the same.

read_export.py DIR: prints a JSON object {"prints": rows, "curves": rows} for each
of csv, json and parquet, in that order, and fails where they differ.
"""

import json
import pathlib
import sys

import pandas

folder = pathlib.Path(sys.argv[1])
readers = {"csv": pandas.read_csv, "json": pandas.read_json, "parquet": pandas.read_parquet}
for name in ["prints", "curves"]:
    tables = {ending: read(folder / f"{name}.{ending}") for ending, read in readers.items()}
    parquet = tables["parquet"]
    numbers = list(parquet.select_dtypes("number").columns)
    for ending, table in tables.items():
        assert list(table.columns) == list(parquet.columns) or ending == "json", (name, ending)
        assert list(table["print"]) == list(parquet["print"]), (name, ending)
        for column in numbers:
            off = (table[column].astype(float) - parquet[column]).abs().max()
            assert table[column].isna().equals(parquet[column].isna()), (name, ending, column)
            assert not off > 1e-9, (name, ending, column, off)
    rows = json.loads(parquet.to_json(orient="records"))
    print(json.dumps(rows))
