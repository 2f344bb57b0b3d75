"""Writes the small FITS and VOTable files that the tests of fanlight-io read, and what astropy reads from them.

Usage: python make_fits_fixtures.py [FOLDER]     (default: crates/fanlight-io/tests/data beside this folder)

Writes FOLDER/*.fits, *.fits.fz, *.fits.gz, *.vot and FOLDER/fits_fixtures.csv, whose rows hold file, width, height,
number of pixels that are not finite, sum of the finite pixels, first pixel, last pixel, as astropy reads them.
Made with astropy 8.0.2, numpy 2.4.6, seed 20310304.
"""

import csv
import gzip
import io
import pathlib
import sys
import warnings

import numpy as np
from astropy.io import fits
from astropy.table import MaskedColumn, Table

WIDTH, HEIGHT = 32, 24
SEED = 20310304


def frame_cards():
    return [
        ("IMAGETYP", "Light Frame", "kind of frame"),
        ("DATE-OBS", "2031-03-04T21:10:00.250", "UTC, start of exposure"),
        ("EXPTIME", 60.0, "[s] exposure"),
        ("FILTER", "Sloan r", ""),
        ("EGAIN", 1.25, "[e-/ADU]"),
    ]


def image_hdu(cls, data, cards=(), **keywords):
    hdu = cls(data, **keywords)
    for card in cards:
        hdu.header.append(card)
    return hdu


def raw_header(lines):
    """A header block from cards given as bytes, so that faults stay as written."""
    cards = b"".join(line.ljust(80)[:80] for line in lines + [b"END"])
    return cards.ljust(-(-len(cards) // 2880) * 2880)


def pad(data):
    return data.ljust(-(-len(data) // 2880) * 2880, b"\0")


def odd_header(data):
    return raw_header(
        [
            b"SIMPLE  =                    T",
            b"BITPIX  = 16/bits",
            b"NAXIS   = 2",
            b"NAXIS1  =                   32 / columns",
            b"NAXIS2  =                   24",
            b"BZERO   =             3.2768D4",
            b"BSCALE  =             1.0D0",
            b"imagetyp= 'light'",
            b"DATE-OBS= '2031-03-04T21:10:00.250' / UTC",
            b"exptime =              6.0E+01 / seconds",
            b"OBSERVER= 'J\xfcrgen O''Hara'     / Latin-1",
            b"FILTER  = 'Sloan r",
            b"HIERARCH CAMERA SENSOR TEMP = -10.5 / [deg C]",
            b"NOTES   = 'this note is longer than one card can hold, so it goes on &'",
            b"CONTINUE  'in a second card and &'",
            b"CONTINUE  'a third' / three cards",
            b"GAIN    = NaN",
            b"COMMENT Latin-1 in a comment: \xb5m",
            b"HISTORY no = value here",
            b"        a blank card",
        ]
    ) + pad((data.astype(np.int32) - 32768).astype(">i2").tobytes())


def main():
    default = pathlib.Path(__file__).parent.parent / "crates/fanlight-io/tests/data"
    folder = pathlib.Path(sys.argv[1]) if len(sys.argv) > 1 else default
    rng = np.random.default_rng(SEED)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    u16 = np.clip(rng.poisson(1000 + 20 * x + 3 * y), 0, 65535).astype(np.uint16)
    u16[0, 0], u16[5, 7], u16[-1, -1] = 0, 65535, 32768
    f32 = rng.normal(100.0, 5.0, (HEIGHT, WIDTH)).astype(np.float32)
    f32[3, 4], f32[10, 20] = np.nan, np.inf
    i16 = rng.integers(-2000, 2000, (HEIGHT, WIDTH)).astype(np.int16)
    cards = frame_cards()

    def write(name, *hdus):
        fits.HDUList(list(hdus)).writeto(folder / name, overwrite=True)

    primary = lambda data: image_hdu(fits.PrimaryHDU, data, cards)
    write("u16.fits", primary(u16))
    write("f32_nan.fits", primary(f32))
    write("f64.fits", primary(f32.astype(np.float64) / 3))
    write("i32.fits", primary(i16.astype(np.int32) * 1000))
    write("i64.fits", primary(i16.astype(np.int64) * 100000))
    write("u8.fits", primary((u16 % 256).astype(np.uint8)))
    write("u32.fits", primary(u16.astype(np.uint32) * 1000))

    # The scaling cards are put in after the data are stored, which stay as they are.
    raw = io.BytesIO()
    primary(i16).writeto(raw)
    stored = raw.getvalue()
    extra = [f"BLANK   = {int(i16[2, 3]):>20}", f"BSCALE  = {'0.5':>20}", f"BZERO   = {'10.0':>20}"]
    end = stored.index(b"END" + b" " * 77)
    patched = stored[:end] + b"".join(card.ljust(80).encode() for card in extra) + b"END".ljust(80)
    (folder / "blank_scaled.fits").write_bytes(patched.ljust(2880) + stored[2880:])

    (folder / "u16.fits.gz").write_bytes(gzip.compress((folder / "u16.fits").read_bytes(), mtime=0))

    def compressed(name, data, kind, **keywords):
        write(name, fits.PrimaryHDU(), image_hdu(fits.CompImageHDU, data, cards, compression_type=kind, **keywords))

    compressed("u16_rice.fits.fz", u16, "RICE_1")
    compressed("u16_rice_tiles.fits.fz", u16, "RICE_1", tile_shape=(10, 12))
    compressed("u16_gzip.fits.fz", u16, "GZIP_1")
    compressed("u16_gzip2.fits.fz", u16, "GZIP_2")
    compressed("u16_hcompress.fits.fz", u16, "HCOMPRESS_1")
    compressed("f32_gzip2.fits.fz", f32, "GZIP_2", quantize_level=0.0)
    finite = np.where(np.isfinite(f32), f32, np.float32(100.0))
    compressed("f32_rice.fits.fz", finite, "RICE_1", quantize_level=16.0, dither_seed=7)

    table = fits.BinTableHDU.from_columns([fits.Column("A", "E", array=np.arange(3.0))])
    first = fits.PrimaryHDU()
    for card in cards[:3]:
        first.header.append(card)
    write("second_hdu.fits", first, table, image_hdu(fits.ImageHDU, u16, cards[3:], name="SCI"))
    write("axis3.fits", primary(u16[np.newaxis]))
    write("cube.fits", primary(np.stack([u16, u16])))
    write("table_only.fits", fits.PrimaryHDU(), table)
    (folder / "odd_header.fits").write_bytes(odd_header(u16))
    (folder / "unpadded.fits").write_bytes((folder / "u16.fits").read_bytes()[: 2880 + 2 * WIDTH * HEIGHT])

    with open(folder / "fits_fixtures.csv", "w", newline="") as out:
        rows = csv.writer(out, lineterminator="\n")
        rows.writerow(["file", "width", "height", "n_not_finite", "sum", "first", "last"])
        for path in sorted(folder.glob("*.fits*")):
            if path.name in ("cube.fits", "table_only.fits", "fits_fixtures.csv", "stars.fits"):
                continue
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                # astropy wants its padding; the standard's reader need not.
                source = io.BytesIO(pad(path.read_bytes())) if path.name == "unpadded.fits" else path
                with fits.open(source) as hdus:
                    image = next(h for h in hdus if h.is_image and h.data is not None)
                    data = np.squeeze(np.asarray(image.data)).astype(np.float32).astype(float)
            good = np.isfinite(data)
            number = lambda v: repr(float(v)) if np.isfinite(v) else ""
            height, width = data.shape
            rows.writerow(
                [path.name, width, height, int((~good).sum()), repr(float(data[good].sum())), number(data[0, 0]), number(data[-1, -1])]
            )

    # Ten stars as other programs' tables hold them: degrees, usual names, one missing magnitude.
    n = 10
    stars = Table()
    stars["source_id"] = np.arange(1, n + 1, dtype=np.int64) * 10**12
    stars["RAJ2000"] = 150.0 + np.arange(n) * 0.01
    stars["DEJ2000"] = 20.0 - np.arange(n) * 0.01
    stars["pmRA"] = np.arange(n, dtype=np.float32) - 5
    stars["pmDE"] = np.arange(n, dtype=np.float32) * 0.5
    stars["rmag"] = MaskedColumn(14.0 + 0.25 * np.arange(n), mask=np.arange(n) == 4)
    stars["e_rmag"] = np.full(n, 0.03, np.float32)
    stars["quality"] = np.arange(n, dtype=np.int16)
    for column, unit in [("RAJ2000", "deg"), ("DEJ2000", "deg"), ("pmRA", "mas/yr"), ("pmDE", "mas/yr"), ("rmag", "mag")]:
        stars[column].unit = unit
    stars.write(folder / "stars.fits", overwrite=True)
    ucds = {
        "RAJ2000": "pos.eq.ra;meta.main",
        "DEJ2000": "pos.eq.dec;meta.main",
        "pmRA": "pos.pm;pos.eq.ra",
        "pmDE": "pos.pm;pos.eq.dec",
        "rmag": "phot.mag;em.opt.R",
        "e_rmag": "stat.error;phot.mag;em.opt.R",
    }
    from astropy.io.votable import from_table

    document = from_table(stars)
    for field in document.get_first_table().fields:
        field.ucd = ucds.get(field.name)
    document.to_xml(str(folder / "stars_tabledata.vot"))
    document.get_first_table().format = "binary2"
    document.to_xml(str(folder / "stars_binary2.vot"))


if __name__ == "__main__":
    main()
