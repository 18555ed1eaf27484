"""Exact maximum likelihood for two public data sets: each person's likelihood by adaptive Gauss-Hermite quadrature over two
random effects (21 x 21 nodes), the sum maximised by scipy. Independent of the program.

usage: python3 population_quadrature.py FOLDER    (theoph.csv and phenobarb_neonates.csv in FOLDER)
"""

import csv
import json
import sys

import numpy as np
import scipy
from scipy.optimize import minimize

folder = sys.argv[1]
nodes, weights = np.polynomial.hermite_e.hermegauss(21)
n1, n2 = np.meshgrid(nodes, nodes, indexing="ij")
grid = np.stack([n1.ravel(), n2.ravel()], axis=1)
ln_weights = np.log(np.outer(weights, weights)).ravel()


def person_minus_two_ll(predict, y, sd, omega, start):
    """Minus two log of the integral over eta of the normal likelihood times the prior; the mode is found first."""

    def h(eta):
        e = y - predict(eta)
        return (np.sum(e * e) / sd**2 + 2 * len(y) * np.log(sd) + len(y) * np.log(2 * np.pi)
                + np.sum((eta / omega) ** 2) + 2 * np.sum(np.log(omega)) + 2 * np.log(2 * np.pi))

    def jacobian(eta):
        d = 1e-5
        return np.stack([(predict(eta + d * np.eye(2)[k]) - predict(eta - d * np.eye(2)[k])) / (2 * d) for k in range(2)], axis=1)

    eta = start.copy()
    for _ in range(200):
        j = jacobian(eta)
        e = y - predict(eta)
        g = -2 * j.T @ e / sd**2 + 2 * eta / omega**2
        a = 2 * j.T @ j / sd**2 + 2 * np.diag(1 / omega**2)
        step = -np.linalg.solve(a, g)
        share = 1.0
        while h(eta + share * step) > h(eta) and share > 1e-8:
            share /= 2
        eta = eta + share * step
        if -g @ step < 1e-14:
            break
    j = jacobian(eta)
    a = j.T @ j / sd**2 + np.diag(1 / omega**2)
    root = np.linalg.cholesky(np.linalg.inv(a))
    places = eta + grid @ root.T
    values = np.array([-0.5 * h(p) for p in places]) + ln_weights + 0.5 * np.sum(grid**2, axis=1)
    top = values.max()
    return -2 * (top + np.log(np.sum(np.exp(values - top))) + np.log(np.linalg.det(root))), eta


def fit(persons, start):
    """persons: list of (y, predict(fixed, eta)). The vector: fixed effects, ln omega 1 and 2, ln sd."""
    modes = [np.zeros(2) for _ in persons]

    def total(x):
        omega, sd = np.exp(x[-3:-1]), np.exp(x[-1])
        out = 0.0
        for i, (y, predict) in enumerate(persons):
            value, modes[i] = person_minus_two_ll(lambda eta: predict(x[:-3], eta), y, sd, omega, modes[i])
            out += value
        return out

    found = minimize(total, start, method="BFGS", options={"gtol": 1e-3})
    return found.x, found.fun


def theophylline():
    rows = list(csv.DictReader(open(f"{folder}/theoph.csv")))
    persons = []
    for subject in sorted({r["Subject"] for r in rows}, key=int):
        own = [r for r in rows if r["Subject"] == subject]
        t = np.array([float(r["Time"]) for r in own])
        y = np.array([float(r["conc"]) for r in own])
        dose = float(own[0]["Dose"])

        def predict(fixed, eta, t=t, dose=dose):
            ke, ka, cl = np.exp(fixed[0]), np.exp(fixed[1] + eta[0]), np.exp(fixed[2] + eta[1])
            return dose * ke * ka / (cl * (ka - ke)) * (np.exp(-ke * t) - np.exp(-ka * t))

        persons.append((y, predict))
    return persons


def phenobarbital(weight):
    rows = list(csv.DictReader(open(f"{folder}/phenobarb_neonates.csv")))
    persons = []
    for subject in sorted({r["Subject"] for r in rows}, key=int):
        own = [r for r in rows if r["Subject"] == subject]
        doses = np.array([(float(r["time"]), float(r["dose"])) for r in own if r["dose"]])
        seen = np.array([(float(r["time"]), float(r["conc"])) for r in own if r["conc"]])
        kg, good = float(own[0]["Wt"]), float(own[0]["ApgarInd"] == ">= 5")

        def predict(fixed, eta, doses=doses, seen=seen, kg=kg, good=good):
            if weight:
                ln_cl, ln_v = fixed[0] + fixed[1] * kg, fixed[2] + fixed[3] * kg + fixed[4] * good
            else:
                ln_cl, ln_v = fixed
            cl, v = np.exp(ln_cl + eta[0]), np.exp(ln_v + eta[1])
            after = seen[:, :1] - doses[None, :, 0]
            return np.sum(np.where(after > 0, doses[None, :, 1] / v * np.exp(-cl / v * np.maximum(after, 0)), 0), axis=1)

        persons.append((seen[:, 1], predict))
    return persons


def case(names, x, minus_two_ll):
    return {"fixed": dict(zip(names, x[:-3])), "sd": list(np.exp(x[-3:-1])), "residual_sd": float(np.exp(x[-1])),
            "minus_two_log_likelihood": float(minus_two_ll)}


out = {"how": "adaptive Gauss-Hermite quadrature, 21 x 21 nodes, maximised by BFGS; population_quadrature.py",
       "numpy": np.__version__, "scipy": scipy.__version__}
x, f = fit(theophylline(), np.array([-2.45, 0.466, -3.23, np.log(0.64), np.log(0.167), np.log(0.709)]))
out["theophylline_lKa_lCl"] = case(["lKe", "lKa", "lCl"], x, f)
x, f = fit(phenobarbital(False), np.array([-5.09, 0.34, np.log(0.44), np.log(0.45), np.log(2.79)]))
out["phenobarbital"] = case(["lCl", "lV"], x, f)
x, f = fit(phenobarbital(True), np.array([-5.96, 0.62, -0.458, 0.533, -0.032, np.log(0.22), np.log(0.171), np.log(2.73)]))
out["phenobarbital_weight"] = case(["lCl", "lCl.Wt", "lV", "lV.Wt", "lV.Apgar>=5"], x, f)
print(json.dumps(out, indent=1))
