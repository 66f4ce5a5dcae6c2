"""A load test identified by scipy.optimize.least_squares: the values alone, no search for
readings that do not fit. The rest of every step is found by scipy.optimize.root, as one
would write it; and for all steps at once by Newton on arrays, as one would write it for speed."""
import json
import sys

import numpy as np
from scipy.optimize import least_squares, root

from vehicle import G, median_time

p = json.load(sys.stdin)
steps, corners, sensors = p["steps"], p["corners"], p["sensors"]
what = [tuple(u["what"]) for u in p["unknowns"]]
mean = np.array([u["mean"] for u in p["unknowns"]])
u = np.array([x["u"] for x in p["unknowns"]])
values = np.array([s["values"] for s in steps])
n, units = len(steps), len(corners)
known = len(what)


def lever(q, point):
    """Height of a frame point and its derivatives, for arrays of states."""
    h, sr, cr, sp, cp = q[0], np.sin(q[1]), np.cos(q[1]), np.sin(q[2]), np.cos(q[2])
    x, y, z = point
    up = sr * y + cr * z
    height = h + up * cp - sp * x
    return height, np.array([np.ones_like(h), (cr * y - sr * z) * cp, -up * sp - cp * x])


class Case:
    """What is unknown, filled in."""

    def __init__(self, z):
        v = dict(zip(what, mean + u * z[:known]))
        get = lambda *key: v.get(key, 0.0)
        scatter = z[known:].reshape(n, units)
        self.rate = [c["rate"] * (1 + get("rate", i)) for i, c in enumerate(corners)]
        self.seat = [c["seat"] + get("seat", i) for i, c in enumerate(corners)]
        friction = np.array([get("friction", c["axle"]) + get("apart", i) for i, c in enumerate(corners)])
        # Never below zero, bent smoothly towards it over 2 N.
        self.push = 0.15 * scatter * (2.0 * np.logaddexp(0.0, friction / 2.0))
        self.mass = p["mass"] + get("weight", 0)
        self.centre = [c + get("centre", i) for i, c in enumerate(p["centre"])]
        self.loads = [
            (
                p["bodies"][place["body"]] + get("body", place["body"]),
                [place["at"][0] + get("place", i, 0), place["at"][1] + get("place", i, 1), place["at"][2]],
            )
            for i, place in enumerate(p["places"])
        ]
        self.zero = [get("zero", i) for i in range(len(sensors))]
        self.scale = [1 + get("scale", i) for i in range(len(sensors))]

    def forces(self, q, step):
        """Gradient of the energy in one step, and its stiffness without the small terms."""
        _, d = lever(q, self.centre)
        force = self.mass * G * d
        for place in steps[step]["on"]:
            mass, at = self.loads[place]
            force = force + mass * G * lever(q, at)[1]
        stiffness = np.zeros((3, 3))
        for i, c in enumerate(corners):
            h, d = lever(q, c["beside"])
            length = c["design_length"] - c["wheel"] + h
            force = force - (self.rate[i] * (self.seat[i] - length) + self.push[step, i]) * d
            stiffness = stiffness + self.rate[i] * np.outer(d, d)
        return force, stiffness

    def read(self, q):
        return np.array([lever(q, s)[0] / (np.cos(q[1]) * np.cos(q[2])) * self.scale[k] + self.zero[k] for k, s in enumerate(sensors)])


def one_by_one(z):
    case = Case(z)
    q = np.array([p["start"], 0.0, 0.0])
    rows = []
    for step in range(n):
        q = root(lambda q: case.forces(q, step)[0], q, jac=lambda q: case.forces(q, step)[1], tol=1e-10).x
        rows.append(case.read(q))
    return np.concatenate([z, ((values - np.array(rows)) / p["noise"]).ravel()])


def batched(z):
    case = Case(z)
    q = np.zeros((3, n))
    q[0] = p["start"]
    on = np.zeros((len(case.loads), n))
    for k, s in enumerate(steps):
        on[s["on"], k] = 1.0
    for _ in range(40):
        force = case.mass * G * lever(q, case.centre)[1]
        for (mass, at), there in zip(case.loads, on):
            force = force + mass * G * there * lever(q, at)[1]
        stiffness = np.zeros((n, 3, 3))
        for i, c in enumerate(corners):
            h, d = lever(q, c["beside"])
            length = c["design_length"] - c["wheel"] + h
            force = force - (case.rate[i] * (case.seat[i] - length) + case.push[:, i]) * d
            stiffness += case.rate[i] * d.T[:, :, None] * d.T[:, None, :]
        by = np.linalg.solve(stiffness, force.T[:, :, None])[:, :, 0].T
        q = q - by
        if np.abs(by).max() < 1e-12:
            break
    return np.concatenate([z, ((values - case.read(q).T) / p["noise"]).ravel()])


start = np.zeros(known + n * units)


def solve(f):
    return least_squares(f, start, xtol=1e-10, ftol=1e-10, gtol=1e-10)


def rates(z):
    return [1 + mean[what.index(("rate", i))] + u[what.index(("rate", i))] * z[what.index(("rate", i))] for i in range(units)]


found = solve(batched)
plain = solve(one_by_one)
assert np.abs(plain.x - found.x).max() < 1e-3, np.abs(plain.x - found.x).max()
print(
    json.dumps(
        {
            "rates": rates(found.x),
            "chi": 2 * found.cost,
            "seconds": median_time(lambda: solve(one_by_one)),
            "batched": median_time(lambda: solve(batched)),
        }
    )
)
