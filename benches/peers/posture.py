"""The posture of the vehicle by scipy.optimize.least_squares: state alone, no covariance,
no search for a sensor that does not fit."""
import json
import sys

import numpy as np
from scipy.optimize import least_squares

from vehicle import Vehicle, median_time

problem = json.load(sys.stdin)
v = Vehicle(problem["vehicle"])
x0 = np.array(problem["prior"])
covariance = np.array(problem["covariance"]).reshape(9, 9)
whiten = np.linalg.inv(np.linalg.cholesky(covariance))
values = np.array(problem["values"])[:, None]
u = np.array(problem["uncertainties"])[:, None]


def rise(d, up):
    dot = d[0] * up[0] + d[1] * up[1] + d[2] * up[2]
    return np.arcsin(dot / np.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2))


def predict(x):
    frame, axles = v.pose(x)
    sr, cr, sp, cp = np.sin(x[7]), np.cos(x[7]), np.sin(x[8]), np.cos(x[8])
    up = (-sp, cp * sr, cp * cr)
    rows = []
    for s in problem["sensors"]:
        kind = s["kind"]
        if kind == "roll":
            rows.append(rise(v.direction(frame, [0, 1, 0]), up))
        elif kind == "pitch":
            rows.append(-rise(v.direction(frame, [1, 0, 0]), up))
        elif kind == "axle roll":
            _, _, _, sa, ca = axles[s["axle"]]
            rows.append(rise((0.0, ca, sa), up))
        elif kind == "link":
            link = v.axles[s["axle"]]["link"]
            f = v.point(frame, link["frame"])
            a = v.axle_point(axles[s["axle"]], link["axle"])
            rows.append(rise((f[0] - a[0], f[1] - a[1], f[2] - a[2]), up))
        elif kind == "floor":
            rows.append(v.height(frame, s["from"]) / (frame[2] * frame[4]))
        else:
            a, b = v.point(frame, s["from"]), v.axle_point(axles[s["axle"]], s["to"])
            rows.append(np.sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2))
    return rows


def columns(x):
    """Residuals of columns of states."""
    seen = np.array([np.broadcast_to(r, x.shape[1:]) for r in predict(x)])
    return np.concatenate([whiten @ (x - x0[:, None]), (seen - values) / u])


def residuals(x):
    return columns(x[:, None])[:, 0]


def jacobian(x, h=1e-30):
    return columns(x[:, None] + 1j * h * np.eye(9)).imag / h


def solve(start, **how):
    return least_squares(residuals, start, method="lm", xtol=1e-12, ftol=1e-12, gtol=1e-12, **how).x


state = solve(x0)
near = state.copy()
near[0] += 2e-5
print(
    json.dumps(
        {
            "state": list(state),
            "warm": min(
                median_time(lambda: solve(near)),
                median_time(lambda: least_squares(residuals, near, xtol=1e-9).x),
            ),
            "warm, exact derivatives": median_time(lambda: solve(near, jac=jacobian)),
        }
    )
)
