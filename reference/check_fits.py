"""Opens a FITS file with astropy, verifies it against the standard and prints what is in it as JSON.

Usage: python check_fits.py FILE

Exit status 1, with the reason on stderr, where `verify('exception')` finds a fault or the file needs a repair.
Made with astropy 8.0.2 and numpy 2.4.6; any astropy from 6 on will do.
"""

import json
import sys
import warnings

import numpy as np
from astropy.io import fits


def describe(hdu):
    data = np.asarray(hdu.data, dtype=float)
    good = np.isfinite(data)
    structural = {"SIMPLE", "XTENSION", "BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "PCOUNT", "GCOUNT", "EXTEND"}
    cards = {
        card.keyword: card.value
        for card in hdu.header.cards
        if card.keyword not in structural | {"COMMENT", "HISTORY", ""}
    }
    return {
        "name": hdu.name,
        "shape": list(data.shape),
        "dtype": str(hdu.data.dtype.newbyteorder("=")),
        "sum": float(data[good].sum()),
        "n_not_finite": int((~good).sum()),
        "first": float(data[0, 0]) if good[0, 0] else None,
        "last": float(data[-1, -1]) if good[-1, -1] else None,
        "cards": cards,
        "comments": {key: hdu.header.comments[key] for key in cards},
        "history": [str(line) for line in hdu.header.get("HISTORY", [])],
        "comment": [str(line) for line in hdu.header.get("COMMENT", [])],
    }


def main():
    # A warning of astropy's is a fault of the file: nothing may pass with a silent repair.
    warnings.simplefilter("error")
    with fits.open(sys.argv[1]) as hdus:
        hdus.verify("exception")
        print(json.dumps([describe(hdu) for hdu in hdus]))


if __name__ == "__main__":
    try:
        main()
    except Exception as error:
        sys.exit(f"{type(error).__name__}: {error}")
