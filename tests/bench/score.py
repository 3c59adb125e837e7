"""Scores of recorded estimates against the simulator's truth."""

import numpy as np
from truth import DAY, FULL_L, HOUR

CHAIN = ("d24", "d6", "st24", "tr24", "um", "d24t")
STILLWELL = ("cons",)
WARM = 26 * HOUR
NEAR_EMPTY_D = 0.3
FIRST_MINUTES_S = 300.0


def ape(est, truth):
    """Error in percent of the truth."""
    return 100 * np.abs(est - truth) / truth


def _median(values):
    """Median of what is known; NaN when nothing is."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else np.nan


def _recovery_h(t, bad, begin, end, until):
    """Hours after `end` until the last wrong value before `until`."""
    late = t[(t > begin) & (t <= until) & bad]
    return max(0.0, float(late.max() - end) / HOUR) if len(late) else 0.0


def _after_refills(run, t, step, est, e):
    hours, lowest, highest = [], [], []
    silent = run.spans("silent")
    stops = [a for a, _ in (*run.spans("refill"), *silent)]
    for a0, a1 in run.spans("refill"):
        until = min([a1 + 48 * HOUR, *(b for b in stops if b > a0)])
        w = step & (t > a0) & (t <= until)
        # Before a day of truth, or unseen, there is nothing to be right or wrong about.
        if not w.any() or a0 < WARM or any(b0 <= a0 <= b1 for b0, b1 in silent):
            continue
        hours.append(_recovery_h(t, step & (e > 10), a0, a1, until))
        lowest.append(np.nanmin(est[w]) if np.isfinite(est[w]).any() else np.nan)
        highest.append(np.nanmax(est[w]) if np.isfinite(est[w]).any() else np.nan)
    if not hours:
        return {}
    return {"recover_h": max(hours), "worst_ld": (float(min(lowest)), float(max(highest)))}


def _use(run, t, step, est, truth, ok, dist):
    e = ape(est, truth)
    q = ok & ~dist
    with np.errstate(all="ignore"):
        res = {
            "med_quiet": np.nanmedian(e[q]),
            "p95_quiet": np.nanpercentile(e[q], 95),
            "med_all": np.nanmedian(e[ok]),
            "in10_quiet": np.mean(e[q] <= 10),
            "in10_all": np.mean(e[ok] <= 10),
            "unknown": np.mean(np.isnan(e[ok])),
        }
    res |= _after_refills(run, t, step, est, e)
    for label in ("zero", "silent"):
        hours = [
            _recovery_h(t, step & ~(e <= 10), a0, a1, a1 + 30 * HOUR) for a0, a1 in run.spans(label)
        ]
        if hours:
            res[f"{label}_h"] = max(hours)
    return res


def _empty(shown, tt, quiet, live):
    e = ape(shown, tt)
    return {
        "med_quiet": np.nanmedian(e[quiet]),
        "med_live": np.nanmedian(e[live]),
        "in10_live": np.mean(e[live] <= 10),
        "none_or_neg_live": np.mean(~(shown[live] > 0)),
    }


def _empties(run, rec, est, truth, ok, dist):
    t = rec["t"]
    tt = run.at(run.tte, t)
    filling = run.mask(t, "refill")
    quiet, live = ok & ~dist & (tt > NEAR_EMPTY_D), ok & (tt > NEAR_EMPTY_D) & ~filling
    shown = {"oracle": run.at(run.vol, t) / truth}  # knows level and past 24 h exactly
    if est == STILLWELL:
        shown["cand"] = rec["tte"]
    else:
        shown |= {k: rec["smooth"] / rec[k] for k in ("d6", "d24t")} | {"d24": rec["tte"]}
    res = {n: _empty(v, tt, quiet, live) for n, v in shown.items()}
    if est == STILLWELL:
        early, late = rec["early"], rec["late"]
        known = live & np.isfinite(early) & np.isfinite(late)
        hit = (early <= tt) & (tt <= late)
        first = rec["grid"].astype(bool) & (t >= HOUR) & (tt > NEAR_EMPTY_D)
        first &= ~filling & ~run.mask(t, "silent")
        res["cand"] |= {
            "cover80": float(np.mean(hit[known])) if known.any() else np.nan,
            "below80": float(np.mean((tt < early)[known])) if known.any() else np.nan,
            "unknown_after_1h": float(np.mean(~np.isfinite(rec["tte"][first]))),
            "negative": float(np.mean(rec["tte"][first] < 0)),
        }
    return res


def _etas(run, rec, est):
    t, found = rec["t"], {}
    for a0, a1 in run.spans("refill"):
        w = (t > a0) & (t < a1 - 120)
        if not w.any() or run.mask(np.array([a0]), "silent").any():
            continue
        left = (a1 - t[w]) / 60
        if est == STILLWELL:
            etas = {"eta": rec["eta_min"][w]}
        else:
            etas = {
                n: (FULL_L - rec[lev][w]) / rec[rate][w] * 1440
                for n, lev, rate in (("eta", "smooth", "d10m"), ("eta_raw", "despiked", "d10r"))
            }
        late = t[w] - a0 > FIRST_MINUTES_S
        for n, eta in etas.items():
            good = np.abs(eta - left) <= 0.2 * left
            rows = found.setdefault(n, {})
            rows.setdefault("med_abs_min", []).append(_median(np.abs(eta - left)))
            rows.setdefault("in20", []).append(np.mean(good))
            rows.setdefault("first_ok_min", []).append(
                (t[w][good].min() - a0) / 60 if good.any() else np.nan
            )
            if late.any():
                rows.setdefault("in20_after5", []).append(np.mean(good[late]))
    # A refill without any value makes the mean unknown, and so it should.
    return {n: {k: float(np.mean(v)) for k, v in rows.items()} for n, rows in found.items()}


def score(run, rec, est):
    """All scores of one run; `est` names the use figures in it."""
    t, step = rec["t"], rec["grid"].astype(bool)
    truth = run.at(run.cons24, t)
    # No estimate is scored while its sensor is silent for a week, only before and after.
    ok = step & (t >= WARM) & np.isfinite(truth) & ~run.mask(t, "silent")
    dist = run.mask(t, "refill", DAY) | run.mask(t, "zero", DAY) | run.mask(t, "silent", DAY)
    res = {k: _use(run, t, step, rec[k], truth, ok, dist) for k in est}
    if "d6" in est:
        own6 = 4 * (run.at(run.out, t) - run.at(run.out, t - 6 * HOUR))
        res["d6"]["med_quiet_own_window"] = np.nanmedian(ape(rec["d6"], own6)[ok & ~dist])
    res["tte"] = _empties(run, rec, est, truth, ok, dist)
    res |= _etas(run, rec, est)
    alarm = rec["alarm" if est == STILLWELL else "leak"]
    res["leak_false_h"] = float(np.sum(alarm[ok]) / 6)
    return res


def score_fault(run, rec, est, every_s):
    """What a fault does to the figures shown, and when they are right again."""
    alarm = rec["alarm" if est == STILLWELL else "leak"]
    t = rec["t"]
    f0, f1 = next(e[:2] for e in run.events if e[2].startswith("fault"))
    truth = run.at(run.cons24, t)
    before, during = (t >= WARM) & (t < f0), (t >= f0) & (t < f1)

    def first(m):
        return float((t[m].min() - f0) / 60) if m.any() else None

    leak_at = first((alarm > 0) & (t >= f0))
    res = {
        "leak_alarm_min": leak_at,
        "leak_false_h_before": float(alarm[before].sum() * every_s / HOUR),
        "tte_min_during": float(np.nanmin(rec["tte"][during])),
        "lost_L_at_alarm": None
        if leak_at is None
        else float(run.at(run.out, f0 + leak_at * 60) - run.at(run.out, f0)),
    }
    if est == STILLWELL:
        res["failure_after_min"] = first((rec["failure"] > 0) & during)
        res["doubtful_after_min"] = first((rec["doubtful"] > 0) & during)
        res["failure_share"] = float(np.mean(rec["failure"][during]))
    else:
        res |= {
            "low_alarm_min": first((rec["low"] > 0) & (t >= f0)),
            "pump_on_min_during": float(rec["pump"][during].sum() * every_s / 60),
        }
    for k in est:
        e = ape(rec[k], truth)
        after = (t >= f1) & np.isfinite(truth)
        bad = t[after][~(e[after] <= 10)]
        shown = rec[k][during]
        res[k] = {
            "min": float(np.nanmin(shown)),
            "max": float(np.nanmax(shown)),
            "within10_during": float(np.mean(e[during] <= 10)),
            "recover_h": float((bad.max() - f1) / HOUR) if len(bad) else 0.0,
        }
    return res
