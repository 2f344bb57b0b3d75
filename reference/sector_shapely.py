"""Expected sums over rings and sectors of rings: writes crates/fanlight-image/tests/data/sector_shapely.csv.

Made with shapely (the version that ran is written into the file) and numpy 2, seed 20310709. Run from anywhere:
python reference/sector_shapely.py

Each row: x, y, inner radius, outer radius, first direction, width (radians), area inside the image, sum. Arcs are polygons of
40 000 sides a turn, which lack 4e-9 of their area; pixels are unit squares. The image is 31 x 23 pixels of value
1 + 0.5 x + 2 y + x y / 8, so the test makes it itself.
"""

from pathlib import Path

import numpy as np
import shapely

WIDTH, HEIGHT = 31, 23
SIDES = 40_000


def arc(x, y, radius, start, width):
    angles = start + np.linspace(0, width, max(int(SIDES * width / (2 * np.pi)), 8))
    return np.column_stack([x + radius * np.cos(angles), y + radius * np.sin(angles)])


def sector(x, y, inner, outer, start, width):
    out = arc(x, y, outer, start, width)
    back = arc(x, y, inner, start, width)[::-1] if inner > 0 else [(x, y)]
    return shapely.Polygon(np.vstack([out, back]))


def main():
    rng = np.random.default_rng(20310709)
    lines = [f"# shapely {shapely.__version__}: x, y, inner, outer, from, width, area, sum (reference/sector_shapely.py)\n"]
    pixels = [(i, j, shapely.box(i - 0.5, j - 0.5, i + 0.5, j + 0.5)) for j in range(HEIGHT) for i in range(WIDTH)]
    cases = [(15.0, 11.0, 0.0, 6.0, 0.0, np.pi / 2), (15.0, 11.0, 3.0, 7.5, 0.0, np.pi), (15.5, 11.5, 2.0, 2.4, 1.0, 0.05)]
    for _ in range(40):
        inner = rng.uniform(0, 6)
        cases.append(
            (rng.uniform(2, 28), rng.uniform(2, 20), inner, inner + rng.uniform(0.2, 6), rng.uniform(-3, 3), rng.uniform(0.05, 6.0))
        )
    for case in cases:
        shape = sector(*case)
        shares = [(i, j, shape.intersection(box).area) for i, j, box in pixels if shape.intersects(box)]
        area = sum(s for _, _, s in shares)
        total = sum(s * (1 + 0.5 * i + 2 * j + i * j / 8) for i, j, s in shares)
        lines.append(",".join(repr(float(v)) for v in (*case, area, total)) + "\n")
    out = Path(__file__).parent.parent / "crates/fanlight-image/tests/data/sector_shapely.csv"
    out.write_text("".join(lines))


main()
