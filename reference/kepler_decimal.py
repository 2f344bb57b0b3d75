"""Two-body motion to many digits: writes crates/fanlight-sky/tests/data/kepler.csv.

Python's own decimal arithmetic at 80 digits, nothing else: Kepler's equation in the eccentric anomaly of its kind (Barker's
on the parabola), solved by bisection, then x toward perihelion and y ahead of it. Run from anywhere:
python reference/kepler_decimal.py
"""

import platform
import random
from decimal import Decimal as D
from decimal import getcontext
from pathlib import Path

SEED = 20310306
getcontext().prec = 80
K = D("0.01720209895")
PI = D("3.14159265358979323846264338327950288419716939937510582097494459230781640628620899862803482534211706798214808651")


def sin_cos(x):
    """By Taylor's series after the whole turns are taken off."""
    x -= (x / (2 * PI)).to_integral_value() * 2 * PI
    s, c, term, n = D(0), D(0), D(1), 0
    while abs(term) > D(10) ** -90:
        c, s = (c + term * (1 - n % 4), s) if n % 2 == 0 else (c, s + term * (2 - n % 4))
        n += 1
        term *= x / n
    return s, c


def sinh_cosh(x):
    up = x.exp()
    return (up - 1 / up) / 2, (up + 1 / up) / 2


def bisect(f, low, high):
    """The root of a rising f."""
    for _ in range(400):
        middle = (low + high) / 2
        if f(middle) < 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def place(q, e, days):
    q, e, days = D(q), D(e), D(days)
    sign = 1 if days >= 0 else -1
    t = abs(days)
    if e == 1:
        target = K * t / (2 * q**3).sqrt()
        s = bisect(lambda s: s + s**3 / 3 - target, D(0), target + 3)
        return q * (1 - s * s), sign * 2 * q * s
    a = q / abs(1 - e)
    mean = K * t / (a**3).sqrt()
    if e < 1:
        turns = (mean / (2 * PI)).to_integral_value()
        mean -= turns * 2 * PI
        if mean < 0:
            sign, mean = -sign, -mean
        s, c = sin_cos(bisect(lambda E: E - e * sin_cos(E)[0] - mean, D(0), PI))
        return a * (c - e), sign * a * (1 - e * e).sqrt() * s
    s, c = sinh_cosh(bisect(lambda H: e * sinh_cosh(H)[0] - H - mean, D(0), (1 + 3 * mean / (e - 1)).ln() + 3))
    return a * (e - c), sign * a * (e * e - 1).sqrt() * s


def main():
    rng = random.Random(SEED)
    rows = []
    eccentricities = [0.0, 1e-6, 0.1, 0.6, 0.967, 0.999, 0.999999, 1 - 1e-10, 1.0, 1 + 1e-10, 1.000001, 1.001, 1.2, 3.5, 40.0]
    for e in eccentricities:
        for high in (30.0, 2000.0, 36525.0):
            q = round(10 ** rng.uniform(-2, 1), 7)
            days = rng.choice([-1, 1]) * round(rng.uniform(0.1, 1) * high, 4)
            x, y = place(q, e, days)
            rows.append(f"{q!r},{e!r},{days!r},{float(x)!r},{float(y)!r}")
    out = Path(__file__).parent.parent / "crates/fanlight-sky/tests/data/kepler.csv"
    top = f"# Python {platform.python_version()} decimal, 80 digits, seed {SEED} (reference/kepler_decimal.py); k = {K}\n"
    out.write_text(top + "q_au,e,days,x_au,y_au\n" + "\n".join(rows) + "\n")


main()
