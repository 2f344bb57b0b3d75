"""Reads a ledger with Python's sqlite3 and holds every row against the night.json that it was made from.

python check_ledger.py LEDGER NIGHT.json ...

Prints JSON: what SQLite says of the file, how many values were compared, and which differ.
"""

import hashlib
import json
import sqlite3
import sys

NIGHT = {
    "r_au": ("geometry", "r_au"),
    "delta_au": ("geometry", "delta_au"),
    "phase_deg": ("geometry", "phase_deg"),
    "sunward_pa_deg": ("geometry", "sunward_pa_deg"),
    "site": ("setup", "site"),
    "longitude_deg": ("setup", "longitude_deg"),
    "latitude_deg": ("setup", "latitude_deg"),
    "telescope": ("setup", "telescope"),
    "simulated": ("setup", "simulated"),
    "first_utc": ("stack", "first_utc"),
    "last_utc": ("stack", "last_utc"),
    "n_frames": ("stack", "n_frames"),
    "exposure_s": ("stack", "exposure_s"),
    "analysed": ("morphology", "analysed"),
    "program": ("provenance", "program"),
}
# columns that are no key of the record
OWN = {"night_id", "position", "feature", "sha256"}


def main(ledger, *files):
    db = sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)
    db.row_factory = sqlite3.Row
    compared, different = 0, []

    def compare(where, stored, due):
        nonlocal compared
        compared += 1
        if isinstance(due, bool):
            due = int(due)
        if stored != due:
            different.append([where, stored, due])

    def rows(where, table, key, night_id, due, extra=""):
        stored = db.execute(f"SELECT * FROM {table} WHERE night_id = ? {extra} ORDER BY position", [night_id]).fetchall()
        compare(f"{where} {key}: rows", len(stored), len(due))
        for row, record in zip(stored, due):
            for column in set(row.keys()) - OWN:
                compare(f"{where} {key}.{column}", row[column], record.get(column))

    compare("nights", db.execute("SELECT count(*) FROM nights").fetchone()[0], len(files))
    for file in files:
        with open(file, "rb") as f:
            data = f.read()
        record = json.loads(data)
        night = db.execute("SELECT * FROM nights WHERE mid_utc = ?", [record["mid_utc"]]).fetchone()
        compare(f"{file} sha256", night["record_sha256"], hashlib.sha256(data).hexdigest())
        text = db.execute("SELECT json FROM records WHERE night_id = ?", [night["id"]]).fetchone()[0]
        compare(f"{file} json", text.encode(), data)
        for column, (section, key) in NIGHT.items():
            compare(f"{file} {column}", night[column], record[section][key])
        rows(file, "frames", "frames", night["id"], record["frames"])
        rows(file, "photometry", "photometry", night["id"], record["photometry"])
        features = record["morphology"]["features"]
        rows(file, "features", "features", night["id"], features)
        for i, feature in enumerate(features):
            rows(file, "challenges", "challenges", night["id"], feature["challenges"], f"AND feature = {i}")
        inputs = record["provenance"]["inputs"]
        rows(file, "inputs", "inputs", night["id"], inputs)
        stored = [row[0] for row in db.execute("SELECT sha256 FROM inputs WHERE night_id = ? ORDER BY position", [night["id"]])]
        compare(f"{file} inputs.sha256", stored, [i["sha256"] for i in inputs])
        lights = {i["file"]: i["sha256"] for i in inputs if i["role"] == "light"}
        for row in db.execute("SELECT file, sha256 FROM frames WHERE night_id = ?", [night["id"]]):
            compare(f"{file} frames.sha256", row["sha256"], lights.get(row["file"]))
    json.dump(
        {
            "integrity": db.execute("PRAGMA integrity_check").fetchone()[0],
            "journal": db.execute("PRAGMA journal_mode").fetchone()[0],
            "compared": compared,
            "different": different,
        },
        sys.stdout,
    )


main(*sys.argv[1:])
