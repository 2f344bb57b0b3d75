"""A night reduced in Python with the usual general-purpose packages: ccdproc, photutils, astroscrappy, reproject.

Run: python reference/pipeline_usual.py NIGHT_DIR N_FRAMES
NIGHT_DIR is what `fanlight simulate` writes: frames/, field.csv, and truth.json, of which only the comet's ephemeris
places and the apertures are taken. N_FRAMES lights, evenly over the night, are reduced, with all calibration frames.
`cargo bench -p fanlight --bench night` runs it as what the main job is compared with, and scales what each frame costs.

It does what these packages' own guides show: masters by ccdproc.combine, calibration with uncertainties, cosmic rays by
astroscrappy, background and sources by photutils, a shift of every WCS onto the catalogue with a zero point, reproject_interp
of every frame onto the moving comet, a sigma-clipped combination, and the light in apertures. Not in it, though the main
job does them: stars taken out, a star-registered stack, sub-stacks, figures.
Made with ccdproc 2.5, photutils 3.0, astroscrappy 1.3, reproject 0.21, astropy 8.0, numpy 2.4. Prints one line of JSON.
"""

import json
import logging
import os
import resource
import sys
import warnings

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ[name] = "1"

import astropy.units as u
import astroscrappy
import ccdproc
import numpy as np
import photutils
import reproject
from astropy.coordinates import SkyCoord
from astropy.nddata import CCDData, StdDevUncertainty
from astropy.stats import SigmaClip, mad_std
from astropy.table import Table
from photutils.aperture import CircularAnnulus, CircularAperture, ApertureStats, aperture_photometry
from photutils.background import Background2D, MedianBackground
from photutils.centroids import centroid_2dg
from photutils.detection import DAOStarFinder
from reproject import reproject_interp

warnings.simplefilter("ignore")
logging.disable()
NIGHT, N_FRAMES = sys.argv[1], int(sys.argv[2])
MEMORY_BYTES = 2e9
CLIPPED = dict(
    method="average", sigma_clip=True, sigma_clip_low_thresh=3, sigma_clip_high_thresh=3, sigma_clip_func=np.ma.median,
    sigma_clip_dev_func=mad_std, mem_limit=MEMORY_BYTES, dtype=np.float32,
)


def cpu_s():
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


def main():
    start_s = cpu_s()
    truth = json.load(open(f"{NIGHT}/truth.json"))
    places = {f["file"]: (f["ra_deg"], f["dec_deg"]) for f in truth["frames"]}
    frames = ccdproc.ImageFileCollection(f"{NIGHT}/frames", keywords=["imagetyp", "exptime"])
    of_kind = lambda kind: frames.files_filtered(imagetyp=kind, include_path=True)
    read = lambda path: CCDData.read(path, unit="adu")
    bias = ccdproc.combine([read(p) for p in of_kind("Bias Frame")], **CLIPPED)
    without_bias = lambda kind: [ccdproc.subtract_bias(read(p), bias) for p in of_kind(kind)]
    dark = ccdproc.combine(without_bias("Dark Frame"), **CLIPPED)
    exposure = dict(exposure_time="EXPTIME", exposure_unit=u.second, scale=True)
    dark.header["EXPTIME"] = read(of_kind("Dark Frame")[0]).header["EXPTIME"]
    flats = [ccdproc.subtract_dark(f, dark, **exposure) for f in without_bias("Flat Field")]
    flat = ccdproc.combine(flats, scale=lambda a: 1 / np.ma.median(a), **CLIPPED)
    catalogue = Table.read(f"{NIGHT}/field.csv")
    catalogue.sort("r")
    stars = SkyCoord(catalogue["ra_deg"], catalogue["dec_deg"], unit="deg")
    masters_s = cpu_s() - start_s

    lights = [p for p in of_kind("Light Frame") if os.path.basename(p) in places]
    lights = [lights[i] for i in np.linspace(0, len(lights) - 1, N_FRAMES).round().astype(int)]
    on_comet, zero_points, reference = [], [], None
    for path in lights:
        raw = read(path)
        gain, read_noise, exposure_s = raw.header["EGAIN"], raw.header["RDNOISE"], raw.header["EXPTIME"]
        frame = ccdproc.create_deviation(raw, gain=gain * u.electron / u.adu, readnoise=read_noise * u.electron)
        frame = ccdproc.subtract_bias(frame, bias)
        frame = ccdproc.subtract_dark(frame, dark, **exposure)
        frame = ccdproc.flat_correct(frame, flat)
        frame = ccdproc.gain_correct(frame, gain * u.electron / u.adu)
        struck, cleaned = astroscrappy.detect_cosmics(
            frame.data.astype(np.float32), readnoise=read_noise, gain=1.0, sigclip=5.0, objlim=8.0
        )
        background = Background2D(
            cleaned, 64, filter_size=3, sigma_clip=SigmaClip(3.0), bkg_estimator=MedianBackground()
        )
        flat_sky = cleaned - background.background
        found = DAOStarFinder(5.0 * background.background_rms_median, 2.5)(flat_sky)
        wcs = raw.wcs
        # the offset of the header's WCS: the median of the bright stars' nearest catalogue neighbours
        found.sort("flux", reverse=True)
        x, y = np.asarray(found["x_centroid"])[:500], np.asarray(found["y_centroid"])[:500]
        sky = wcs.pixel_to_world(x, y)
        nearest, distance, _ = sky.match_to_catalog_sky(stars)
        close = distance < 5 * u.arcsec
        px, py = wcs.world_to_pixel(stars[nearest[close]])
        dx, dy = np.median(x[close] - px), np.median(y[close] - py)
        wcs.wcs.crpix += (dx, dy)
        apertures = CircularAperture(np.column_stack([x, y])[close][:200], 8.0)
        flux = np.asarray(aperture_photometry(flat_sky, apertures)["aperture_sum"])
        catalogued = np.asarray(catalogue["r"])[nearest[close]][:200]
        good = flux > 0
        zero_points.append(np.median(catalogued[good] + 2.5 * np.log10(flux[good] / exposure_s)))
        # the comet stands still: every frame's WCS is moved back by its motion since the first
        comet = SkyCoord(*places[os.path.basename(path)], unit="deg")
        if reference is None:
            reference, first_comet = wcs, comet
        moved = wcs.deepcopy()
        moved.wcs.crval = [
            wcs.wcs.crval[0] + (first_comet.ra - comet.ra).deg, wcs.wcs.crval[1] + (first_comet.dec - comet.dec).deg
        ]
        rate = 10 ** (0.4 * (zero_points[0] - zero_points[-1])) / exposure_s
        values = ((cleaned - background.background_median) * rate).astype(np.float32)
        shape = values.shape
        image, _ = reproject_interp((values, moved), reference, shape_out=shape, order="bicubic")
        variance = (frame.uncertainty.array * rate).astype(np.float32) ** 2
        variance, _ = reproject_interp((variance, moved), reference, shape_out=shape, order="bilinear")
        sigma = StdDevUncertainty(np.sqrt(np.abs(variance)))
        bad, _ = reproject_interp((struck.astype(np.float32), moved), reference, shape_out=shape, order="bilinear")
        mask = ~np.isfinite(image) | ~(bad < 0.1)
        on_comet.append(CCDData(np.where(mask, 0, image), unit="electron/s", mask=mask, uncertainty=sigma))
    frames_s = cpu_s() - start_s - masters_s

    stack = ccdproc.combine(on_comet, **CLIPPED)
    combine_s = cpu_s() - start_s - masters_s - frames_s

    image = np.ma.filled(np.ma.array(stack.data, mask=stack.mask), 0.0)
    scale = 3600 * np.sqrt(abs(np.linalg.det(reference.pixel_scale_matrix)))
    radii_px = np.array([p["aperture_arcsec"] for p in truth["photometry"]]) / scale
    x, y = (float(v) for v in reference.world_to_pixel(first_comet))
    x0, y0 = round(x) - 7, round(y) - 7
    dx, dy = centroid_2dg(image[y0 : y0 + 15, x0 : x0 + 15])
    centre = (x0 + dx, y0 + dy)
    ring = CircularAnnulus(centre, 6 * radii_px[-1], 8 * radii_px[-1])
    sky = ApertureStats(image, ring, sigma_clip=SigmaClip(2.5)).median
    table = aperture_photometry(image - sky, [CircularAperture(centre, r) for r in radii_px])
    light = np.array([table[f"aperture_sum_{i}"][0] for i in range(len(radii_px))])
    print(json.dumps({
        "parts": f"ccdproc {ccdproc.__version__}, photutils {photutils.__version__}, "
        f"astroscrappy {astroscrappy.__version__}, reproject {reproject.__version__}",
        "n_frames": len(lights),
        "masters_cpu_s": masters_s,
        "frames_cpu_s": frames_s,
        "combine_cpu_s": combine_s,
        "mag": [round(float(m), 4) for m in zero_points[0] - 2.5 * np.log10(light)],
        "mag_true": [round(p["mag_seen"], 4) for p in truth["photometry"]],
    }))


main()
