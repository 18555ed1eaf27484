#!/usr/bin/env python3
"""One person's MAP fit with scipy.optimize.least_squares: two compartments, oral with lag, 14 doses, 3 levels, 5 random effects.

The same problem as `map_fit_two_compartment_oral` in crates/kinetics/benches/estimate.rs. Doses are superposed in one numpy
expression. The variance depends on the prediction, so ln v enters as a third residual, shifted to stay positive (v never
falls below the additive part): the sum of squares is then the objective of the Rust bench up to a constant. Prints processor
time a fit, best of 20 rounds, and the estimate.
"""
import time

import numpy as np
from scipy.optimize import least_squares

TYPICAL = np.array([23.0, 692.0, 11.6, 5340.0, 3.58])
SD = np.array([0.386, 0.492, 0.787, 0.53, 0.5])
LAG, DOSE, ADDITIVE, PROPORTIONAL = 0.38, 5.0, 0.3, 0.15
DOSES = np.arange(14) * 12.0
TIMES = np.array([156.0, 157.5, 160.0])
LEVELS = np.array([9.1, 17.8, 12.9])
SINCE = TIMES[:, None] - DOSES[None, :] - LAG
TAKEN = SINCE > 0.0
SINCE = np.where(TAKEN, SINCE, 0.0)
LN_FLOOR = np.log(ADDITIVE**2)


def predict(effects):
    clearance, central, flow, peripheral, ka = TYPICAL * np.exp(effects)
    k10, k12, k21 = clearance / central, flow / central, flow / peripheral
    total = k10 + k12 + k21
    root = np.sqrt(total * total - 4.0 * k10 * k21)
    fast, slow = 0.5 * (total + root), 0.5 * (total - root)
    a = ka / central * (k21 - fast) / ((ka - fast) * (slow - fast))
    b = ka / central * (k21 - slow) / ((ka - slow) * (fast - slow))
    each = a * np.exp(-fast * SINCE) + b * np.exp(-slow * SINCE) - (a + b) * np.exp(-ka * SINCE)
    return 1000.0 * DOSE * (each * TAKEN).sum(axis=1)


def residuals(effects):
    prediction = predict(effects)
    variance = ADDITIVE**2 + (PROPORTIONAL * prediction) ** 2
    return np.concatenate(
        [(LEVELS - prediction) / np.sqrt(variance), np.sqrt(np.log(variance) - LN_FLOOR), effects / SD]
    )


def main():
    best = float("inf")
    for _ in range(20):
        start = time.process_time()
        for _ in range(50):
            fit = least_squares(residuals, np.zeros(5))
        best = min(best, (time.process_time() - start) / 50)
    objective = 2.0 * fit.cost + len(LEVELS) * LN_FLOOR
    print(f"{best * 1e6:.1f} us a fit, {fit.nfev} evaluations, objective {objective:.9f}")
    print("effects", " ".join(f"{e:.7f}" for e in fit.x))


if __name__ == "__main__":
    main()
