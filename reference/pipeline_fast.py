"""A night reduced in Python with the fastest general-purpose parts: numpy, numexpr, sep, OpenCV, astropy for files.

Run: python reference/pipeline_fast.py NIGHT_DIR
NIGHT_DIR is what `fanlight simulate` writes: frames/, field.csv, and truth.json, of which only the comet's ephemeris
places and the apertures are taken. `cargo bench -p fanlight --bench night` runs it as what the main job is compared with.

It does what somebody who knows these packages would write: masters, calibration, background, cosmic rays, sources, a
tie of every frame to the catalogue with a zero point, every frame resampled onto the moving comet, a sigma-clipped mean,
and the light in apertures, all on whole frames. One thread, since processor time is compared. Not in it, though the main
job does them: propagated variances, stars taken out, a star-registered stack, sub-stacks, figures.
Made with numpy 2.4, numexpr 2.14, sep 1.4, opencv-python-headless 5.0, astropy 8.0. Prints one line of JSON.
"""

import json
import os
import resource
import sys
import warnings

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMEXPR_MAX_THREADS"):
    os.environ[name] = "1"

import cv2
import numexpr as ne
import numpy as np
import sep
from astropy.io import fits
from astropy.wcs import WCS

warnings.simplefilter("ignore")
cv2.setNumThreads(1)
ne.set_num_threads(1)
sep.set_extract_pixstack(5_000_000)
CLIP, ROUNDS, ROWS = 3.0, 3, 16
NIGHT = sys.argv[1]


def cpu_s():
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


def stored(path):
    """Header and counts as stored: 16-bit integers without their zero, which is added where they are used."""
    with fits.open(path, memmap=False, do_not_scale_image_data=True) as hdus:
        return hdus[0].header, hdus[0].data.astype(np.int16)


def master(paths):
    """Mean without each pixel's smallest and largest value."""
    total = least = most = None
    for path in paths:
        counts = stored(path)[1].astype(np.float32)
        if total is None:
            total, least, most = counts.copy(), counts.copy(), counts
            continue
        total += counts
        np.minimum(least, counts, out=least)
        np.maximum(most, counts, out=most)
    n = len(paths) - 2
    return ne.evaluate("(total - least - most) / n + 32768")


def flat_master(paths, bias):
    """Mean of flats of median 1 without the extremes; the median of a sample of pixels serves."""
    scaled = []
    for path in paths:
        counts = stored(path)[1]
        flat = ne.evaluate("counts + 32768 - bias").astype(np.float32)
        flat /= np.median(flat[::8, ::8])
        scaled.append(flat)
    total = np.sum(scaled, axis=0)
    total -= np.minimum.reduce(scaled)
    total -= np.maximum.reduce(scaled)
    total /= np.float32(len(scaled) - 2)
    return total


def cosmic_rays(image, noise):
    """Laplacian edges that are sharper than a star's: the single-frame method of van Dokkum (2001) without sub-sampling."""
    edges = -cv2.Laplacian(image, cv2.CV_32F)
    smooth = cv2.medianBlur(image, 3)
    fine = smooth - cv2.medianBlur(smooth, 5)
    limit = np.float32(6.0 * np.sqrt(20.0) * noise)
    return ne.evaluate("(edges > limit) & (edges > 8 * where(fine > noise, fine, noise))")


def tie(sources, predicted):
    """Affine map from predicted to found places: the commonest offset of the brightest, then least squares."""
    found = np.column_stack([sources["x"], sources["y"]])[np.argsort(-sources["flux"])]
    a, b = predicted[:300], found[:300]
    offsets = (b[None, :, :] - a[:, None, :]).reshape(-1, 2)
    offsets = offsets[np.abs(offsets).max(axis=1) < 30]
    votes, xe, ye = np.histogram2d(offsets[:, 0], offsets[:, 1], bins=60, range=[[-30, 30]] * 2)
    i, j = np.unravel_index(votes.argmax(), votes.shape)
    shift = np.array([xe[i] + 0.5, ye[j] + 0.5])
    for limit in (2.0, 1.0):
        moved = (predicted @ shift[:2] + shift[2]) if shift.ndim == 2 else predicted + shift
        order = np.argsort(found[:, 0])
        xs = found[order, 0]
        pairs = []
        for k, (x, y) in enumerate(moved[:1500]):
            lo, hi = np.searchsorted(xs, [x - limit, x + limit])
            near = order[lo:hi]
            if len(near):
                d = np.hypot(found[near, 0] - x, found[near, 1] - y)
                if d.min() < limit:
                    pairs.append((k, near[d.argmin()]))
        k, m = np.array(pairs).T
        design = np.column_stack([predicted[k], np.ones(len(k))])
        shift = np.linalg.lstsq(design, found[m], rcond=None)[0]
    return shift, k, found[m]


def main():
    start_s = cpu_s()
    truth = json.load(open(f"{NIGHT}/truth.json"))
    places = {f["file"]: (f["ra_deg"], f["dec_deg"]) for f in truth["frames"]}
    folder = f"{NIGHT}/frames"
    kinds = {"Bias Frame": [], "Dark Frame": [], "Flat Field": [], "Light Frame": []}
    for name in sorted(os.listdir(folder)):
        kinds[fits.getheader(f"{folder}/{name}")["IMAGETYP"]].append(f"{folder}/{name}")
    bias, dark = master(kinds["Bias Frame"]), master(kinds["Dark Frame"])
    dark_s = fits.getheader(kinds["Dark Frame"][0])["EXPTIME"]
    inverse_flat = np.float32(1) / flat_master(kinds["Flat Field"], bias)
    catalogue = np.genfromtxt(f"{NIGHT}/field.csv", delimiter=",", names=True)
    catalogue = catalogue[np.argsort(catalogue["r"])]
    masters_s = cpu_s() - start_s

    lights = [p for p in kinds["Light Frame"] if os.path.basename(p) in places]
    cube, zero_points, exposures = None, [], []
    for index, path in enumerate(lights):
        header, counts = stored(path)
        gain, exposure_s = np.float32(header["EGAIN"]), header["EXPTIME"]
        share = np.float32(exposure_s / dark_s)
        image = ne.evaluate("(counts + 32768 - bias - (dark - bias) * share) * gain * inverse_flat").astype(np.float32)
        wcs = WCS(header)
        comet = np.array(wcs.all_world2pix(*places[os.path.basename(path)], 0))
        background = sep.Background(image, bw=64, bh=64)
        # the sky under the coma is the frame's median level: a mesh would take the coma off
        noise = np.float32(background.globalrms)
        level = background.back(dtype=np.float32)
        sources_image = image - level
        struck = cosmic_rays(image, noise)
        sources = sep.extract(sources_image, 5.0, err=noise, mask=struck)
        x, y = wcs.all_world2pix(catalogue["ra_deg"], catalogue["dec_deg"], 0)
        inside = (x > 10) & (y > 10) & (x < image.shape[1] - 10) & (y < image.shape[0] - 10)
        linear, k, stars = tie(sources, np.column_stack([x, y])[inside])
        fluxes = sep.sum_circle(sources_image, stars[:200, 0], stars[:200, 1], 8.0)[0]
        good = fluxes > 0
        magnitudes = catalogue["r"][inside][k[:200]][good]
        zero_points.append(np.median(magnitudes + 2.5 * np.log10(fluxes[good] / exposure_s)))
        exposures.append(exposure_s)
        comet = np.append(comet, 1.0) @ linear
        # the reference grid is the first frame's, the comet where it stood there
        if index == 0:
            cube = np.empty((len(lights), *image.shape), np.float32)
            reference, reference_wcs = comet, wcs
        corners = reference + np.array([[0, 0], [500, 0], [0, 500]])
        # orientation by the header's WCS, the place by the tied comet
        sky = reference_wcs.all_pix2world(corners, 0)
        there = np.column_stack(wcs.all_world2pix(sky[:, 0], sky[:, 1], 0))
        to = comet + (there - there[0])
        warp = cv2.getAffineTransform(corners.astype(np.float32), to.astype(np.float32))
        image -= np.float32(background.globalback)
        image[struck] = 0
        size = (image.shape[1], image.shape[0])
        flags = cv2.WARP_INVERSE_MAP
        cv2.warpAffine(image, warp, size, dst=cube[index], flags=cv2.INTER_LANCZOS4 | flags, borderValue=np.nan)
        bad = cv2.warpAffine(struck.astype(np.uint8), warp, size, flags=cv2.INTER_NEAREST | flags)
        cube[index][cv2.dilate(bad, np.ones((3, 3), np.uint8)) > 0] = np.nan
        cube[index] *= np.float32(10 ** (0.4 * (zero_points[0] - zero_points[index])) / exposure_s)
    frames_s = cpu_s() - start_s - masters_s

    height, width = cube.shape[1:]
    stack = np.empty((height, width), np.float32)
    for y in range(0, height, ROWS):
        block = cube[:, y : y + ROWS]
        good = np.isfinite(block)
        values = np.where(good, block, np.float32(0))
        weight = good.astype(np.float32)
        for _ in range(ROUNDS):
            n = np.maximum(weight.sum(axis=0), 1)
            mean = np.einsum("ijk,ijk->jk", weight, values) / n
            away = values - mean
            variance = np.einsum("ijk,ijk,ijk->jk", weight, away, away) / n
            limit = CLIP**2 * variance
            weight = ne.evaluate("where(good & (away * away <= limit), 1, 0)").astype(np.float32)
        n = weight.sum(axis=0)
        stack[y : y + ROWS] = np.einsum("ijk,ijk->jk", weight, values) / np.where(n > 0, n, np.nan)
    combine_s = cpu_s() - start_s - masters_s - frames_s

    stack = np.nan_to_num(stack)
    radii = np.array([p["aperture_arcsec"] for p in truth["photometry"]])
    scale = 3600 * np.sqrt(abs(np.linalg.det(reference_wcs.pixel_scale_matrix)))
    yy, xx = np.ogrid[0:height, 0:width]
    far = np.hypot(xx - reference[0], yy - reference[1])
    ring = stack[(far > 6 * radii[-1] / scale) & (far < 8 * radii[-1] / scale)]
    sky = 3 * np.median(ring) - 2 * np.mean(ring[np.abs(ring - np.median(ring)) < 3 * np.std(ring)])
    box = (slice(int(reference[1]) - 4, int(reference[1]) + 5), slice(int(reference[0]) - 4, int(reference[0]) + 5))
    peak = np.unravel_index(cv2.GaussianBlur(stack[box], (0, 0), 1.2).argmax(), (9, 9))
    centre = (box[1].start + peak[1], box[0].start + peak[0])
    light = sep.sum_circle(stack - np.float32(sky), [centre[0]] * len(radii), [centre[1]] * len(radii), radii / scale)[0]
    print(json.dumps({
        "parts": f"numpy {np.__version__}, numexpr {ne.__version__}, sep {sep.__version__}, OpenCV {cv2.__version__}",
        "n_frames": len(lights),
        "masters_cpu_s": masters_s,
        "frames_cpu_s": frames_s,
        "combine_cpu_s": combine_s,
        "mag": [round(float(m), 4) for m in zero_points[0] - 2.5 * np.log10(light)],
        "mag_true": [round(p["mag_seen"], 4) for p in truth["photometry"]],
    }))


main()
