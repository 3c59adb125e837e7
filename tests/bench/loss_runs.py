"""How soon the loss test sees a leak, and how often it cries wolf, by simulation of the engine.

Delays: a leak of a known size begins at a random time after a learned week. False alarms:
whole vessel-years without a leak, refills, spikes, dropouts and unplugging included.
"""

import argparse
import json
from dataclasses import replace
from multiprocessing import Pool
from pathlib import Path
from zlib import crc32

import numpy as np
from engine_feed import follow, new_model
from scipy.stats import chi2
from truth import DAY, EXTRAS, HOUR, SCENARIOS, simulate

RATES_L_H = (0.2, 0.5, 2.0)
WATCHED_H = 24.0
LEAKS = {
    "clean": SCENARIOS["clean"],
    "typical": SCENARIOS["typical"],
    "inch": SCENARIOS["inch"],
    "noisy": SCENARIOS["noisy"],
    "onchange": replace(SCENARIOS["onchange"], unplugs=()),
    "five_minutes": replace(SCENARIOS["noisy"], sample_s=300, sigma_mm=1.0),
}
DRAWS_L = (0.3, 0.5, 1.0, 2.0)
DRAWS_A_RUN = 16
DRAW_WATCHED_S = 6 * HOUR
YEAR = {
    "days": 365.0,
    "dt_s": 60.0,
    "first_refill_day": 6.0,
    "unplugs": tuple((20.0 + 50 * k, 1.0 + k) for k in range(7)),
}
"""A year holds seven times an hour or more with an unplugged strip, too."""

YEARS = {
    "clean, 5 min": replace(SCENARIOS["clean"], sample_s=300, **YEAR),
    "typical, 5 min": replace(SCENARIOS["typical"], sample_s=300, **YEAR),
    "inch, 5 min": replace(SCENARIOS["inch"], sample_s=300, **YEAR),
    "noisy, 5 min": replace(SCENARIOS["noisy"], sample_s=300, **YEAR),
    "on change, 1 min": replace(SCENARIOS["onchange"], **YEAR),
    "swing, 5 min": replace(EXTRAS["swing"], sample_s=300, **YEAR),
    "pulses and noise, 5 min": replace(SCENARIOS["noisy"], mode="pulse", sample_s=300, **YEAR),
    "noisy, 15 min": replace(SCENARIOS["noisy"], sample_s=900, **YEAR),
    "typical, 1 min": replace(SCENARIOS["typical"], sample_s=60, **YEAR),
    "on change, 0.1 inch": replace(EXTRAS["inchchange"], **YEAR),
}


def is_alarm(model):
    """Whether the loss test of a model stands at alarm; the same as its view would show."""
    verdict = model._loss_verdict
    return verdict is not None and verdict.is_alarm


def leak(job):
    """Minutes until the alarm, NaN without one within a day; litres lost; alarms before."""
    name, rate_l_h, seed = job
    rng = np.random.default_rng([seed, crc32(name.encode()), int(100 * rate_l_h)])
    at_d = 7.0 + 2 * rng.random()
    sc = replace(
        LEAKS[name],
        fault="leak",
        fault_day=at_d,
        leak_l_h=rate_l_h,
        days=at_d + WATCHED_H / 24,
        first_refill_day=2 + 4 * rng.random(),
    )
    run, model = simulate(sc, int(rng.integers(1, 2**31))), new_model(sc.shape)
    begin, was, early = at_d * DAY, False, 0
    for t in follow(model, run):
        now = is_alarm(model)
        if now and t >= begin:
            minutes = (t - begin) / 60
            return {"kind": name, "l_h": rate_l_h, "min": minutes, "early": early}
        early += now and not was
        was = now
    return {"kind": name, "l_h": rate_l_h, "min": np.inf, "early": early}


def draw(job):
    """Draws at once that were followed by an alarm within six hours, and how long it stood."""
    name, litres, seed = job
    rng = np.random.default_rng([seed, crc32(name.encode()), int(100 * litres)])
    at_d = 4.0 + 0.3 + 0.5 * np.arange(DRAWS_A_RUN) + 0.2 * rng.random(DRAWS_A_RUN)
    sc = replace(
        LEAKS[name],
        draws=tuple((day, litres) for day in at_d.tolist()),
        days=float(at_d[-1]) + 0.3,
        first_refill_day=2 + 4 * rng.random(),
    )
    run, model = simulate(sc, int(rng.integers(1, 2**31))), new_model(sc.shape)
    told, minutes, was, last, since = set(), 0.0, False, 0.0, 0
    for t in follow(model, run):
        now = is_alarm(model)
        if now and not was:
            since = int(np.searchsorted(at_d * DAY, t)) - 1
        if now and since >= 0 and t - at_d[since] * DAY < DRAW_WATCHED_S:
            told.add(since)
            minutes += (t - last) / 60
        was, last = now, t
    return {"kind": name, "l": litres, "draws": len(at_d), "told": len(told), "min": minutes}


def year(job):
    """Alarms raised in one vessel-year without a leak, and hours they stood."""
    name, seed = job
    run, model = simulate(YEARS[name], seed), new_model()
    alarms, hours, was, last = 0, 0.0, False, 0.0
    for t in follow(model, run):
        now = is_alarm(model)
        alarms += now and not was
        hours += now * (t - last) / HOUR
        was, last = now, t
    return {"kind": name, "alarms": int(alarms), "hours": hours}


def _delays(rows):
    """Quantiles of the delays of each leak, over all kinds and for the slowest kind."""
    out = {}
    for rate in RATES_L_H:
        of_rate = [r for r in rows if r["l_h"] == rate]
        delays = np.array([r["min"] for r in of_rate])
        kinds = {
            kind: float(np.median([r["min"] for r in of_rate if r["kind"] == kind]))
            for kind in LEAKS
        }
        out[str(rate)] = {
            "runs": len(delays),
            "median_min": float(np.median(delays)),
            "p90_min": float(np.quantile(delays, 0.9, method="higher")),
            "missed": int(np.sum(~np.isfinite(delays))),
            "early": int(sum(r["early"] for r in of_rate)),
            "by_kind_min": kinds,
        }
    return out


def _draws(rows):
    """Share of the draws that raised an alarm, and for how long it stood."""
    out = {}
    for litres in DRAWS_L:
        of_size = [r for r in rows if r["l"] == litres]
        told = sum(r["told"] for r in of_size)
        out[str(litres)] = {
            "draws": sum(r["draws"] for r in of_size),
            "told": told,
            "stood_min": sum(r["min"] for r in of_size) / told if told else 0.0,
            "by_kind": {k: sum(r["told"] for r in of_size if r["kind"] == k) for k in LEAKS},
        }
    return out


def _false_alarms(rows):
    kinds = {
        kind: [r["alarms"] for r in rows if r["kind"] == kind]
        for kind in YEARS
        if any(r["kind"] == kind for r in rows)
    }
    total = sum(r["alarms"] for r in rows)
    # Exact interval of a Poisson count (Garwood 1936): quantiles of chi squared.
    low, high = chi2.ppf(0.025, 2 * total) / 2 if total else 0.0, chi2.ppf(0.975, 2 * total + 2) / 2
    return {
        "years": len(rows),
        "interval_95": [float(low) / len(rows), float(high) / len(rows)],
        "per_year": sum(r["alarms"] for r in rows) / len(rows),
        "hours_per_year": sum(r["hours"] for r in rows) / len(rows),
        "years_with_any": sum(r["alarms"] > 0 for r in rows),
        "by_kind": {kind: sum(v) / len(v) for kind, v in kinds.items()},
    }


def main():
    """Run leaks or years and write what came of them."""
    ap = argparse.ArgumentParser()
    ap.add_argument("--out", required=True)
    ap.add_argument("--leaks", type=int, default=0, help="runs per kind and size of leak")
    ap.add_argument("--draws", type=int, default=0, help="runs per kind and size of draw")
    ap.add_argument("--first", type=int, default=0, help="first seed of leaks and draws")
    ap.add_argument("--processes", type=int, default=2)
    ap.add_argument("--years", type=int, default=0, help="vessel-years in all")
    a = ap.parse_args()
    out = Path(a.out)

    def seeds(count):
        return range(a.first, a.first + count)

    with Pool(a.processes) as pool:
        if a.leaks:
            jobs = [(k, r, s) for k in LEAKS for r in RATES_L_H for s in seeds(a.leaks)]
            rows = list(pool.imap_unordered(leak, jobs, chunksize=2))
            (out / "leaks.json").write_text(json.dumps(_delays(rows), indent=1))
        if a.draws:
            jobs = [(k, v, s) for k in LEAKS for v in DRAWS_L for s in seeds(a.draws)]
            rows = list(pool.imap_unordered(draw, jobs, chunksize=2))
            (out / "draws.json").write_text(json.dumps(_draws(rows), indent=1))
        if a.years:
            kinds = list(YEARS)
            jobs = [(kinds[i % len(kinds)], 1000 + i) for i in range(a.years)]
            rows = []
            for row in pool.imap_unordered(year, jobs):
                rows.append(row)
                if len(rows) % 20 == 0:
                    print(f"    {len(rows)} of {a.years} vessel-years", flush=True)
            (out / "years.json").write_text(json.dumps(_false_alarms(rows), indent=1))


if __name__ == "__main__":
    main()
