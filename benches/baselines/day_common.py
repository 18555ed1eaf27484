"""What both baseline scripts share: the method, the list of injections, and the arithmetic of a run.

Only the reading of mzML differs between them; see README.md of this folder's parent.
"""

import csv
import pathlib
import sys
import time
import tomllib

import numpy as np
from scipy.integrate import trapezoid
from scipy.ndimage import convolve1d
from scipy.signal import find_peaks, peak_widths, savgol_coeffs

HALF_WINDOW_MIN = 0.25
# Worked out once: savgol_filter would do it for every trace, and fit the edges, which no peak reaches.
SMOOTHING = savgol_coeffs(7, 2)


def load_day(folder):
    """The method as a dict, and the lines of injections.csv."""
    folder = pathlib.Path(folder)
    with open(folder / "method.toml", "rb") as file:
        method = tomllib.load(file)
    with open(folder / "injections.csv", newline="", encoding="utf-8") as file:
        injections = list(csv.DictReader(file))
    return method, injections


def transitions(method):
    """(key, precursor m/z, product m/z, expected retention in min) of every transition of the method."""
    found = []
    for standard in method["internal_standard"]:
        found.append((standard["name"], standard["precursor_mz"], standard["product_mz"], standard["retention_time_min"]))
    for analyte in method["analyte"]:
        quantifier = analyte["quantifier"]
        found.append((analyte["name"], quantifier["precursor_mz"], quantifier["product_mz"], analyte["retention_time_min"]))
        for number, qualifier in enumerate(analyte.get("qualifier", []), 1):
            key = f"{analyte['name']} qualifier {number}"
            found.append((key, qualifier["precursor_mz"], qualifier["product_mz"], analyte["retention_time_min"]))
    return found


def peak_area(time_min, intensity, expected_min):
    """Area in counts x s of the highest peak near the expected retention, above a straight baseline; 0 without one."""
    first, last = np.searchsorted(time_min, [expected_min - HALF_WINDOW_MIN, expected_min + HALF_WINDOW_MIN])
    window_min, window = time_min[first:last], intensity[first:last]
    if window.size < 15:
        return 0.0
    smooth = convolve1d(window, SMOOTHING, mode="nearest")
    noise = np.median(np.abs(np.diff(smooth))) / 0.6745
    peaks, _ = find_peaks(smooth, prominence=max(3.0 * noise, 1.0))
    if peaks.size == 0:
        return 0.0
    apex = peaks[np.argmax(smooth[peaks])]
    _, _, left, right = peak_widths(smooth, [apex], rel_height=0.98)
    start, end = int(np.floor(left[0])), int(np.ceil(right[0])) + 1
    t, y = window_min[start:end], window[start:end]
    if t.size < 3:
        return 0.0
    baseline = np.interp(t, [t[0], t[-1]], [y[0], y[-1]])
    return float(trapezoid(y - baseline, t) * 60.0)


def back_calculate(method, injections, areas):
    """Ratio, 1/x^2 straight line through the calibrators, back-calculated concentration of every injection."""
    results = []
    for analyte in method["analyte"]:
        name, standard = analyte["name"], analyte["internal_standard"]
        ratios = np.array([of[name] / of[standard] if of[standard] > 0 else np.nan for of in areas])
        levels = analyte["calibrators"]
        x, y = [], []
        for injection, ratio in zip(injections, ratios):
            if injection["role"] == "calibrator" and np.isfinite(ratio):
                x.append(levels[injection["level"]])
                y.append(ratio)
        slope, intercept = np.polyfit(x, y, 1, w=1.0 / np.array(x))
        dilution = np.array([float(injection["dilution_factor"] or 1) for injection in injections])
        concentrations = (ratios - intercept) / slope * dilution
        results.extend((injection["run"], injection["order"], name, value) for injection, value in zip(injections, concentrations))
    return results


def main(read_file):
    """Times a whole day. `read_file(path)` yields (precursor m/z, product m/z, times in min, intensities)."""
    folder, out = sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else None
    start = time.perf_counter()
    method, injections = load_day(folder)
    wanted = {(round(q1, 2), round(q3, 2)): (key, expected) for key, q1, q3, expected in transitions(method)}
    areas = []
    for injection in injections:
        of_injection = {}
        for precursor, product, time_min, intensity in read_file(f"{folder}/traces/{injection['trace_file']}"):
            key, expected_min = wanted[(round(precursor, 2), round(product, 2))]
            of_injection[key] = peak_area(time_min, intensity, expected_min)
        areas.append(of_injection)
    results = back_calculate(method, injections, areas)
    if out:
        with open(out, "w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(["run", "order", "analyte", "concentration"])
            writer.writerows(results)
    print(f"{len(injections)} injections, {len(results)} results, {(time.perf_counter() - start) * 1e3:.0f} ms")
