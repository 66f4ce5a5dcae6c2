"""All laws of settling fitted by lmfit and by scipy.optimize.curve_fit, chosen by the
corrected Akaike criterion; for lmfit also the intervals that go with an answer."""
import json
import sys
import warnings

import lmfit
import numpy as np
from scipy.optimize import curve_fit

from vehicle import median_time

warnings.simplefilter("ignore")
series = [(np.array(s["t"]), np.array(s["h"])) for s in json.load(sys.stdin)["series"]]


def none(t, a):
    return a + 0 * t


def exponential(t, a, b, tau):
    return a + b * np.exp(-t / tau)


def two(t, a, b, tau, c, late):
    return a + b * np.exp(-t / tau) + c * np.exp(-t / late)


def log_creep(t, a, b, tau):
    return a + b * np.log10(1 + t / tau)


def power(t, a, b, n):
    return a + b * np.where(t > 0, t, 1e-300) ** n


def starts(t, h):
    fall, span = h[:10].mean() - h[-10:].mean(), t[-1]
    return [
        (none, [h.mean()], [(-np.inf, np.inf)]),
        (exponential, [h[-1], fall, span / 5], [(-np.inf, np.inf)] * 2 + [(0.05, 20 * span)]),
        (two, [h[-1], fall / 2, span / 30, fall / 2, span / 3], [(-np.inf, np.inf)] * 2 + [(0.05, span)] + [(-np.inf, np.inf), (0.05, 20 * span)]),
        (log_creep, [h[0], -fall / 2, span / 50], [(-np.inf, np.inf)] * 2 + [(1e-3, 20 * span)]),
        (power, [h[0], -fall / 4, 0.4], [(-np.inf, np.inf)] * 2 + [(0.01, 1.5)]),
    ]


def aicc(squares, n, p):
    k = p + 1
    return n * np.log(squares / n) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def by_lmfit(whole):
    squares = []
    for t, h in series:
        best = None
        for law, guess, bounds in starts(t, h):
            model = lmfit.Model(law)
            parameters = model.make_params(**dict(zip(model.param_names, guess)))
            for name, (low, high) in zip(model.param_names, bounds):
                parameters[name].set(min=low, max=high)
            try:
                found = model.fit(h, parameters, t=t)
            except Exception:
                continue
            score = aicc(found.chisqr, len(t), len(guess))
            if best is None or score < best[0]:
                best = (score, found)
        found = best[1]
        if whole:
            try:
                found.conf_interval(sigmas=[2])
            except Exception:
                pass
            found.eval_uncertainty(t=np.array([t[-1], t[-1] + 24, t[-1] + 168]), sigma=2)
        squares.append(float(found.chisqr))
    return squares


def by_scipy():
    squares = []
    for t, h in series:
        best = np.inf, 0.0
        for law, guess, _ in starts(t, h):
            try:
                found, _ = curve_fit(law, t, h, p0=guess, maxfev=5000)
            except Exception:
                continue
            s = float(((h - law(t, *found)) ** 2).sum())
            if np.isfinite(s):
                best = min(best, (aicc(s, len(t), len(guess)), s))
        squares.append(best[1])
    return squares


print(
    json.dumps(
        {
            "squares": by_lmfit(False),
            "lmfit": median_time(lambda: by_lmfit(False)),
            "lmfit whole": median_time(lambda: by_lmfit(True)),
            "scipy": median_time(by_scipy),
        }
    )
)
