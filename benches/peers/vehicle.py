"""The vehicle of the measurements in NumPy, written from the same description.

Coordinates: frame height, roll, pitch; two for each axle (height and roll of a solid
one, two wheel heights of independent corners). Every function takes columns of states,
so that derivatives by complex steps cost one pass.
"""
import numpy as np

G = 9.80665
STOP = 1e8


def one_sided(u, rate):
    return np.where(u.real > 0.0, u * u * (rate / 2.0), 0.0)


class Vehicle:
    def __init__(self, d):
        self.axles = d["axles"]
        self.masses = d["masses"]
        design = [d["design_height"], 0.0, 0.0]
        for axle in self.axles:
            design += [axle["height"], 0.0 if "units" in axle else axle["height"]]
            axle["beside"] = [
                [axle["x"], s * axle["track"] / 2, axle["height"] - d["design_height"]]
                for s in (1, -1)
            ]
        self.design = np.array(design)

    def pose(self, q):
        frame = (q[0], np.sin(q[1]), np.cos(q[1]), np.sin(q[2]), np.cos(q[2]))
        axles = []
        for i, axle in enumerate(self.axles):
            if "units" not in axle:
                axles.append(None)
                continue
            h, s, c = q[3 + 2 * i], np.sin(q[4 + 2 * i]), np.cos(q[4 + 2 * i])
            y = 0.0 * h
            if "link" in axle:
                link = axle["link"]
                fx, fy, fz = self.point(frame, link["frame"])
                ax, ay, az = self.axle_point((axle["x"], y, h, s, c), link["axle"])
                square = link["length"] ** 2 - (fx - ax) ** 2 - (fz - az) ** 2
                y = fy + np.sqrt(square) * link["towards"] - ay
            axles.append((axle["x"], y, h, s, c))
        return frame, axles

    @staticmethod
    def direction(frame, v):
        _, sr, cr, sp, cp = frame
        y = cr * v[1] - sr * v[2]
        up = sr * v[1] + cr * v[2]
        return cp * v[0] + up * sp, y, up * cp - sp * v[0]

    @staticmethod
    def point(frame, p):
        x, y, z = Vehicle.direction(frame, p)
        return x, y, z + frame[0]

    @staticmethod
    def height(frame, p):
        h, sr, cr, sp, cp = frame
        return h + (sr * p[1] + cr * p[2]) * cp - sp * p[0]

    @staticmethod
    def axle_point(axle, p):
        x, y, h, s, c = axle
        return x + p[0], y + c * p[1] - s * p[2], h + s * p[1] + c * p[2]

    @staticmethod
    def spring(u, length):
        e = one_sided(u["free"] + u["hardware"] + u["collar"] - length, u["rate"])
        return e + one_sided(length - u["extended"], STOP) + one_sided(u["compressed"] - length, STOP)

    def energy(self, q):
        frame, axles = self.pose(q)
        v = 0.0
        for i, axle in enumerate(self.axles):
            if axles[i] is not None:
                for u in axle["units"]:
                    a, b = self.point(frame, u["upper"]), self.axle_point(axles[i], u["lower"])
                    square = (a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2
                    v = v + self.spring(u, np.sqrt(square))
                half = axle["track"] / 2
                wheels = [self.axle_point(axles[i], [0, s * half, 0])[2] for s in (1, -1)]
            else:
                wheels = [q[3 + 2 * i], q[4 + 2 * i]]
                for u, wheel, p in zip(axle["corners"], wheels, axle["beside"]):
                    bump = wheel - self.height(frame, p)
                    v = v + self.spring(u, u["design_length"] - u["ratio"] * bump)
            for wheel in wheels:
                v = v + one_sided(axle["tyre"]["radius"] - wheel, axle["tyre"]["rate"])
                v = v + wheel * (axle["unsprung"] * G / 2)
        for m in self.masses:
            v = v + self.height(frame, m["at"]) * (m["mass"] * G)
        return v

    def value(self, q):
        return float(self.energy(np.asarray(q, dtype=float)).real)

    def gradient(self, q, h=1e-30):
        n = len(q)
        columns = q[:, None] + 1j * h * np.eye(n)
        return self.energy(columns).imag / h

    def hessian(self, q, h=1e-30, step=1e-6):
        n = len(q)
        ends = np.concatenate([q[:, None] + step * np.eye(n), q[:, None] - step * np.eye(n)], axis=1)
        columns = np.repeat(ends, n, axis=1) + 1j * h * np.tile(np.eye(n), (1, 2 * n))
        g = (self.energy(columns).imag / h).reshape(2 * n, n)
        hessian = (g[:n] - g[n:]) / (2 * step)
        return (hessian + hessian.T) / 2


def median_time(f, runs=5, least=0.2):
    """Median of at least five runs, seconds of the processor."""
    import time

    f()
    times = []
    while len(times) < runs or sum(times) < least:
        begun = time.process_time()
        f()
        times.append(time.process_time() - begun)
        if len(times) >= 200:
            break
    return sorted(times)[len(times) // 2]
