"""Rest and stiffness of the vehicle by SciPy, in several ways; the times of each."""
import json
import sys

import warnings

import numpy as np
from scipy.optimize import approx_fprime, minimize, root

from vehicle import Vehicle, median_time

# A trial step may leave the link's reach; the ways step back from there themselves.
warnings.simplefilter("ignore")
problem = json.load(sys.stdin)
v = Vehicle(problem["vehicle"])
start = v.design


def trust_exact():
    # The force left over is in newtons: a hundred-millionth of the weight.
    found = minimize(v.value, start, method="trust-exact", jac=v.gradient, hess=v.hessian, options={"gtol": 1e-4})
    return found.x, np.linalg.inv(v.hessian(found.x))


def own_derivatives():
    """The same with nothing but the energy: SciPy takes the differences."""
    def gradient(q):
        return approx_fprime(q, v.value, 1e-7)

    def hessian(q):
        h = approx_fprime(q, gradient, 1e-5)
        return (h + h.T) / 2

    found = minimize(v.value, start, method="trust-exact", jac=gradient, hess=hessian, options={"gtol": 1.0, "maxiter": 100})
    return found.x, np.linalg.inv(hessian(found.x))


def hybrid():
    found = root(v.gradient, start, jac=v.hessian, method="hybr", tol=1e-12)
    return found.x, np.linalg.inv(v.hessian(found.x))


def newton():
    """Newton by hand, full steps: no safeguards at all."""
    q = start.copy()
    for _ in range(50):
        step = np.linalg.solve(v.hessian(q), v.gradient(q))
        q = q - np.clip(step, -0.05, 0.05)
        if np.abs(step).max() < 1e-12:
            break
    return q, np.linalg.inv(v.hessian(q))


def bfgs():
    found = minimize(v.value, start, method="BFGS", jac=v.gradient, options={"gtol": 1e-4})
    return found.x, np.linalg.inv(v.hessian(found.x))


state, _ = newton()
times = {}
for name, way in [("trust-exact", trust_exact), ("hybr", hybrid), ("Newton by hand", newton), ("BFGS", bfgs)]:
    there, _ = way()
    if np.abs(there - state).max() < 1e-6:
        times[name] = median_time(way)
# Differences of differences leave a few hundredths of a millimetre.
there, _ = own_derivatives()
own = median_time(own_derivatives) if np.abs(there - state).max() < 1e-4 else None
fastest = min(times, key=times.get)
print(json.dumps({"state": list(state), "own": own, "fastest way": fastest, "fastest": times[fastest], **times}))
