"""Statistical references on the same readings: OLS, Theil-Sen, 2-state Kalman, Cramer-Rao.

"stitched" uses truth labels: true inflow subtracted, refill and zero periods dropped. The
Kalman reference is told the true noise of the sensor, too. Sources: Sen 1968 (scipy's
theilslopes); Kalman 1960 (filterpy); Kay, Fundamentals of Statistical Signal Processing, 1993,
example 3.7, for the bound of a slope in white noise.
"""

import argparse
import json
from functools import partial
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from filterpy.kalman import KalmanFilter
from scipy.stats import theilslopes
from seeds import FIRST, seeds_of
from truth import DAY, EXTRAS, HOUR, L_PER_CM, SCENARIOS, simulate, volume_l

ALL = {**SCENARIOS, **EXTRAS}
MIN5 = 300.0
RATE_SD = 0.35  # L/day per square root of a day, set by hand once
MEDIAN_LOSS = 1.57  # pi / 2: variance of a median over that of a mean


def regular(run):
    """Readings on a fixed raster (on-change sensors: last value held), litres."""
    if not run.sc.on_change:
        return run.t, volume_l(run.sc.shape, run.x)
    t = np.arange(0, run.sc.days * DAY, 60.0)
    held = run.x[np.searchsorted(run.t, t, side="right") - 1]
    return t, volume_l(run.sc.shape, held)


def stitched(run, t, y):
    """Readings with the true inflow taken out."""
    inflow = run.at(run.vol + run.out, t)
    st = y - inflow + inflow[0]
    st[run.mask(t, "refill") | run.mask(t, "zero")] = np.nan
    return st


def five_minutes(t, st):
    """Medians over five minutes; single readings where they are rarer."""
    k = max(1, int(MIN5 / (t[1] - t[0])))
    n = len(t) // k
    blocks = st[: n * k].reshape(n, k)
    y5 = np.array([np.nan if np.isnan(b).all() else np.nanmedian(b) for b in blocks])
    return t[: n * k].reshape(n, k).mean(1), y5, k


def slope(t, y):
    """Least-squares slope, L/day of use."""
    ok = np.isfinite(y)
    t, y = t[ok] / DAY, y[ok]
    t = t - t.mean()
    return -float(t @ y / (t @ t))


def kalman(t, y, r_var):
    """Level after every reading, by a filter of level and rate."""
    kf = KalmanFilter(dim_x=2, dim_z=1)
    kf.x, kf.P = np.array([[np.nanmedian(y[:5])], [-3.0]]), np.diag([1.0, 4.0])
    dt = (t[1] - t[0]) / DAY
    kf.F, kf.H = np.array([[1, dt], [0, 1]]), np.array([[1.0, 0]])
    kf.R = np.array([[r_var]])
    kf.Q = RATE_SD**2 * np.array([[dt**3 / 3, dt**2 / 2], [dt**2 / 2, dt]])
    level = np.empty(len(t))
    for i, z in enumerate(y):
        kf.predict()
        if np.isfinite(z):
            kf.update(z)
        level[i] = float(kf.x[0, 0])
    return level


def crlb(sc):
    """1-sigma bound for a 24 h slope, L/d; iid noise of variance s^2 + q^2/12."""
    s = L_PER_CM * np.sqrt((sc.sigma_mm / 10) ** 2 + sc.quant_cm**2 / 12)
    dt = (60 if sc.on_change else sc.sample_s) / DAY
    return float(np.sqrt(12 * s * s * dt))


def _ends(t, st, w, until):
    a, b = st[w & (t <= until - 23 * HOUR)], st[w & (t > until - HOUR)]
    if not (np.isfinite(a).any() and np.isfinite(b).any()):
        return np.nan
    return float((np.nanmean(a) - np.nanmean(b)) * 24 / 23)


def one(seed, name, *, is_fits):
    """Errors in percent of each method; the fits through a straight line only if asked for."""
    sc = ALL[name]
    run = simulate(sc, seed)
    t, y = regular(run)
    st = stitched(run, t, y)
    t5, y5, k = five_minutes(t, st)
    median_loss = 1.0 if k == 1 else MEDIAN_LOSS
    noise = L_PER_CM**2 * ((sc.sigma_mm / 10) ** 2 * median_loss / k + sc.quant_cm**2 / 12)
    level = kalman(t5, y5, noise)
    day_n = round(DAY / (t5[1] - t5[0]))
    err = {}
    for until in np.arange(26 * HOUR, sc.days * DAY, 1800.0):
        if run.mask(np.array([until]), "silent", DAY).any():
            continue
        truth, i5 = float(run.at(run.cons24, until)), np.searchsorted(t5, until, side="right") - 1
        if i5 < day_n:
            continue
        found = {"kalman_24h": float(level[i5 - day_n] - level[i5])}
        if is_fits:
            w = (t > until - DAY) & (t <= until)
            w5 = (t5 > until - DAY) & (t5 <= until) & np.isfinite(y5)
            found |= {
                "ols_raw": slope(t[w], y[w]),
                "ols": slope(t[w], st[w]),
                "theil": -float(theilslopes(y5[w5], t5[w5] / DAY)[0]),
                "ends1h": _ends(t, st, w, until),
            }
        for m, v in found.items():
            err.setdefault(m, []).append(100 * abs(v - truth) / truth)
    return {m: np.array(e) for m, e in err.items()}


def scenario(name, seeds, first_seed):
    """Summary over seeds; the seed the hub runs, and the seeds the engine runs."""
    with np.errstate(all="ignore"):
        first = one(1, name, is_fits=name in SCENARIOS)
        runs = [one(s, name, is_fits=False) for s in seeds_of(name, seeds, first_seed)]
    res = {"crlb_pct_of_3": 100 * crlb(ALL[name]) / 3}
    for m, e in first.items():
        res[m] = {"med_seed1": np.nanmedian(e), "in10_seed1": float(np.mean(e <= 10))}
    medians = [np.nanmedian(r["kalman_24h"]) for r in runs]
    res["kalman_24h"] |= {
        "med_seeds": float(np.mean(medians)),
        "in10_seeds": float(np.mean([np.mean(r["kalman_24h"] <= 10) for r in runs])),
    }
    return res


def main():
    """Write the references of every scenario."""
    ap = argparse.ArgumentParser()
    ap.add_argument("--out", required=True)
    ap.add_argument("--seeds", type=int, default=12)
    ap.add_argument("--first", type=int, default=FIRST)
    a = ap.parse_args()
    work = partial(scenario, seeds=a.seeds, first_seed=a.first)
    with Pool(2) as pool:
        res = dict(zip(ALL, pool.map(work, ALL, chunksize=1), strict=True))
    (Path(a.out) / "refs.json").write_text(json.dumps(res, indent=1, default=float))


if __name__ == "__main__":
    main()
