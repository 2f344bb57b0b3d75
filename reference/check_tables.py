"""Reads exported tables back with astropy (VOTable, FITS) and the csv module, and compares every cell with night.json, bit for bit.

Usage: python check_tables.py TABLES_DIR night.json [night.json ...]    records in the order of their nights

Prints the number of rows of each table, and of cells compared, as JSON. Exit status 1, with the reason on stderr, at the first
difference, and where astropy finds a fault in a file, a unit or a UCD. Which cell of the record a column holds is said here anew
and not taken from the program. Made with astropy 8.0.2 and numpy 2.4.6; any astropy from 6 on will do.
"""

import csv
import json
import re
import struct
import sys
import unicodedata
import warnings
from pathlib import Path

import numpy as np
from astropy import units
from astropy.io import fits, votable
from astropy.io.votable.ucd import parse_ucd


def nested(record, *path):
    for key in path:
        if record is None:
            return None
        record = record.get(key) if isinstance(key, str) else record[key]
    return record


def pair(record, key, name):
    """Two columns of a pair along right ascension and declination."""
    stem = name.removesuffix("_arcsec")
    values = record.get(key) or [None, None]
    return {f"{stem}_ra_arcsec": values[0], f"{stem}_dec_arcsec": values[1]}


def flat(record):
    return {k: v for k, v in record.items() if not isinstance(v, (dict, list))}


def prefixed(prefix, record, *keys):
    return {f"{prefix}_{key}": nested(record, key) for key in keys}


def of_night(n):
    setup, stack, zero = n["setup"], n["stack"], n["zero_point"]
    return {
        **flat(n["geometry"]),
        **prefixed("stack", stack, "n_frames", "exposure_s", "first_utc", "last_utc"),
        **prefixed("psf", n["morphology"]["psf"], "fwhm_arcsec", "elongation", "pa_deg"),
        "optocentre_err_arcsec": n["morphology"]["optocentre_err_arcsec"],
        **{k: nested(zero, k) for k in (
            "band", "stack_zero_point_mag", "stack_zero_point_err_mag", "colour_term", "colour", "comet_colour_mag")},
        "phase_function": nested(n, "phase_function", "name"),
        "phase_function_value": nested(n, "phase_function", "value"),
        **flat(setup),
        "observers": "; ".join(setup["observers"]),
        "program": n["provenance"]["program"],
        "summary": n["summary"],
    }


def of_place(a):
    errors = a.get("err_ra_dec_arcsec") or [None, None]
    return {
        **flat(a),
        "err_correlation": a.get("err_correlation"),
        **dict(zip(("err_ra_arcsec", "err_dec_arcsec"), errors)),
        **pair(a, "o_minus_c_arcsec", "o_minus_c_arcsec"),
    }


def of_frame(f):
    return {
        **flat(f),
        **pair(f, "comet_o_minus_c_arcsec", "comet_o_minus_c_arcsec"),
        **prefixed("solution", f.get("solution"), "stars", "rms_arcsec", "log10_odds", "comet_err_arcsec", "distortion_order"),
        **prefixed("star_near_nucleus", f.get("star_near_nucleus"), "mag", "distance_arcsec", "light_share"),
    }


def of_feature(f):
    count = lambda outcome: sum(c["outcome"] == outcome for c in f["challenges"])
    return {**flat(f), **{f"challenges_{o}": count(o) for o in ("passed", "failed", "not_tested")}}


def of_dust(n):
    total, colour, sky = n.get("total_magnitude"), n.get("colour"), n.get("extinction")
    return {
        **{k: n["geometry"][k] for k in ("r_au", "delta_au", "phase_deg")},
        "band": nested(n["zero_point"], "band"),
        **flat(n.get("dust") or {}),
        "phase_function": nested(n, "phase_function", "name"),
        "production_kg_per_s": nested(n.get("dust"), "production", "kg_per_s"),
        "isophote_mag_arcsec2": nested(total, "isophote_mag_arcsec2"),
        **prefixed("total", total, "mag", "mag_err", "radius_km", "extrapolated"),
        **prefixed("colour", colour, "blue", "red"),
        **{k: nested(colour, k) for k in (
            "colour_mag", "colour_err_mag", "slope_percent_per_1000a", "slope_err_percent_per_1000a")},
        **{k: nested(sky, k) for k in ("mag_per_airmass", "mag_per_airmass_err", "is_photometric")},
        "zero_point_scatter_mag": nested(sky, "scatter_mag"),
        "zero_point_frames": nested(sky, "n_frames"),
    }


def of_slopes(shape):
    return [flat(s) for s in [*shape["ranges"], shape["whole"]]] if shape else []


def rows_of(name, n):
    """The rows that a table has of a night, by name of column; keys that are no column do not matter."""
    seen = {k: n["geometry"][k] for k in ("r_au", "delta_au", "phase_deg")}
    rows = {
        "nights": lambda: [of_night(n)],
        "astrometry": lambda: [of_place(a) for a in [n["astrometry"]] if a],
        "frames": lambda: [of_frame(f) for f in n["frames"]],
        "photometry": lambda: [{**seen, **flat(p)} for p in n["photometry"]],
        "photometry_errors": lambda: [
            {"aperture_km": p["aperture_km"], "band": p["band"], "term": t["name"], "term_mag": t["mag"]}
            for p in n["photometry"] for t in p["error_terms_mag"]],
        "dust": lambda: [of_dust(n)],
        "growth": lambda: [flat(g) for g in n.get("curve_of_growth", [])],
        "slopes": lambda: of_slopes(n.get("profile_shape")),
        "sectors": lambda: [flat(s) for s in n.get("sectors", [])],
        "colours": lambda: [
            {**flat(a), **{k: n["colour"][k] for k in ("blue", "red")}} for a in nested(n, "colour", "apertures") or []],
        "profile": lambda: [flat(r) for r in n["profile"]],
        "features": lambda: [of_feature(f) for f in n["morphology"]["features"]],
        "detection_limits": lambda: [flat(d) for d in n["morphology"]["detection_limit"]],
        "zero_point_stars": lambda: [{"band": n["zero_point"]["band"], **flat(s)} for s in nested(n, "zero_point", "stars") or []],
    }[name]()
    return [{**row, "object": n["object"], "night_mid_utc": n["mid_utc"]} for row in rows]


def bits(value):
    return struct.pack(">d", float(value))


def same(expected, found, text=lambda t: t):
    if expected in (None, ""):
        return found is None
    if found is None:
        return False
    if isinstance(expected, bool):
        return isinstance(found, (bool, np.bool_)) and bool(found) == expected
    if isinstance(expected, str):
        return text(expected) == found
    return bits(expected) == bits(found)


# characters that the program writes in FITS by name
STAND_INS = {"ρ": "rho", "″": "arcsec", "′": "arcmin", "°": "deg", "☉": "Sun", "ä": "ae", "ö": "oe", "ü": "ue"}


def ascii_like(text):
    """What of a text must be in FITS whatever stands for the rest: its ASCII letters and digits, in order."""
    return re.sub(r"[^A-Za-z0-9]", "", unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode())


def read_csv(path):
    with open(path, encoding="utf-8", newline="") as file:
        header, *rows = list(csv.reader(file))
    heads = [re.fullmatch(r"(\w+)(?: \[(.+)\])?", cell).groups() for cell in header]
    return {name: unit or "" for name, unit in heads}, [dict(zip((h[0] for h in heads), row)) for row in rows]


def csv_value(cell, expected):
    if cell == "":
        return None
    if isinstance(expected, bool):
        return {"true": True, "false": False}[cell]
    return cell if isinstance(expected, str) else float(cell)


def read_votable(path):
    document = votable.parse(path, verify="exception")
    (table,) = list(document.iter_tables())
    data = table.array
    for field in table.fields:
        parse_ucd(field.ucd, check_controlled_vocabulary=True)
    # the units as the file has them, and not as astropy would write them
    written = dict(re.findall(r'<FIELD name="(\w+)"(?:(?! unit=)[^>])* unit="([^"]+)"', Path(path).read_text(encoding="utf-8")))
    columns = {f.name: written.get(f.name, "").replace("&apos;", "'") for f in table.fields}
    for unit in columns.values():
        units.Unit(unit, format="vounit", parse_strict="raise")

    def cell(name, i):
        value = data[name][i]
        if np.ma.is_masked(value) or (isinstance(value, str) and value == ""):
            return None
        return str(value) if isinstance(value, str) else value

    return columns, [{name: cell(name, i) for name in columns} for i in range(len(data))]


def read_fits(path):
    with fits.open(path) as hdus:
        hdus.verify("exception")
        primary, table = hdus
        assert primary.data is None and isinstance(table, fits.BinTableHDU), path
        columns = {c.name: c.unit or "" for c in table.columns}
        for column in table.columns:
            # electrons are not in the standard's list, which allows others; what stands beside them must be
            units.Unit((column.unit or "").replace("electron", "count"), format="fits", parse_strict="raise")

        def cell(column, i):
            value = table.data[column.name][i]
            if isinstance(value, (str, np.str_)):
                return str(value) or None
            if column.format.endswith("D"):
                return None if np.isnan(value) else value
            return None if column.null is not None and value == column.null else value

        return columns, [{c.name: cell(c, i) for c in table.columns} for i in range(len(table.data))]


def main():
    warnings.simplefilter("error")
    folder = Path(sys.argv[1])
    nights = [json.loads(Path(path).read_text(encoding="utf-8")) for path in sys.argv[2:]]
    names = (
        "nights astrometry frames photometry photometry_errors dust growth profile slopes sectors colours features detection_limits "
        "zero_point_stars").split()
    told, cells = {}, 0
    for name in names:
        expected = [row for night in nights for row in rows_of(name, night)]
        of_csv, of_vot, of_fits = (
            read(folder / f"{name}.{ending}") for read, ending in ((read_csv, "csv"), (read_votable, "vot"), (read_fits, "fits")))
        if not list(of_csv[0].items()) == list(of_fits[0].items()) or list(of_csv[0]) != list(of_vot[0]):
            sys.exit(f"{name}: the formats have other columns or units: {of_csv[0]} {of_vot[0]} {of_fits[0]}")
        for column, unit in of_csv[0].items():
            if of_vot[0][column] != unit.replace("electron", "'electron'"):
                sys.exit(f"{name} {column}: unit {unit} and {of_vot[0][column]}")
        for kind, (columns, rows) in (("csv", of_csv), ("vot", of_vot), ("fits", of_fits)):
            if len(rows) != len(expected):
                sys.exit(f"{name}.{kind}: {len(rows)} rows, not {len(expected)}")
            for i, (row, record) in enumerate(zip(rows, expected)):
                for column in columns:
                    value = record.get(column)
                    found = csv_value(row[column], value) if kind == "csv" else row[column]
                    text = lambda t: t
                    if kind != "csv" and isinstance(value, str):
                        # neither XML nor FITS holds control characters, and FITS no line breaks; blanks at the ends go
                        forbidden = r"[\x00-\x08\x0b-\x1f]" if kind == "vot" else r"[\x00-\x1f]"
                        value = re.sub(forbidden, " ", value)
                        value = value.strip() if kind == "vot" else value.rstrip(" ")
                    if kind == "fits" and isinstance(value, str) and not value.isascii():
                        found, text = found and ascii_like(found), ascii_like
                        for sign, stand_in in STAND_INS.items():
                            value = value.replace(sign, stand_in)
                    if not same(value, found, text):
                        sys.exit(f"{name}.{kind}, row {i + 1}, {column}: {found!r}, not {value!r}")
                    cells += 1
        told[name] = {"rows": len(expected), "columns": len(of_csv[0])}
    print(json.dumps({"tables": told, "cells": cells}))


if __name__ == "__main__":
    main()
