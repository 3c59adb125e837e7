"""Scores of the engine alone over many seeds, so that no figure rests on one run of luck."""

import argparse
import json
from collections import defaultdict
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from engine_feed import record
from score import STILLWELL, score
from seeds import FEW, FIRST, seeds_of
from truth import EXTRAS, SCENARIOS, simulate

ALL = {**SCENARIOS, **EXTRAS}


def one(job):
    """Score one scenario and seed."""
    name, seed = job
    run = simulate(ALL[name], seed)
    return name, score(run, record(run), STILLWELL)


def flat(res):
    """The scores that are averaged over seeds."""
    use, tte, eta = res["cons"], res["tte"], res.get("eta", {})
    cand = tte["cand"]
    return {
        "med_all": use["med_all"],
        "in10_all": use["in10_all"],
        "recover_h": use.get("recover_h", np.nan),
        "silent_h": use.get("silent_h", np.nan),
        "tte_med": cand["med_live"],
        "oracle_med": tte["oracle"]["med_live"],
        "cover80": cand["cover80"],
        "below80": cand["below80"],
        "unknown_after_1h": cand["unknown_after_1h"],
        "negative": cand["negative"],
        "eta_med_min": eta.get("med_abs_min", np.nan),
        "eta_in20_after5": eta.get("in20_after5", np.nan),
        "leak_false_h": res["leak_false_h"],
    }


def main():
    """Run all scenarios with all seeds and write their means and worst cases."""
    ap = argparse.ArgumentParser()
    ap.add_argument("--out", required=True)
    ap.add_argument("--seeds", type=int, default=12)
    ap.add_argument("--first", type=int, default=FIRST)
    a = ap.parse_args()
    jobs = [
        (name, seed)
        for name in (*FEW, *(n for n in ALL if n not in FEW))
        for seed in seeds_of(name, a.seeds, a.first)
    ]
    rows = defaultdict(list)
    with Pool(2) as pool:
        for name, res in pool.imap_unordered(one, jobs):
            rows[name].append(flat(res))
    out = {}
    for name, found in rows.items():
        columns = {k: np.array([r[k] for r in found], dtype=float) for k in found[0]}
        with np.errstate(all="ignore"):
            out[name] = {"seeds": len(found)} | {
                k: {
                    "mean": float(np.nanmean(v)) if np.isfinite(v).any() else None,
                    "min": float(np.nanmin(v)) if np.isfinite(v).any() else None,
                    "max": float(np.nanmax(v)) if np.isfinite(v).any() else None,
                    "se": float(np.nanstd(v, ddof=1) / np.isfinite(v).sum() ** 0.5)
                    if np.isfinite(v).sum() > 1
                    else None,
                }
                for k, v in columns.items()
            }
    (Path(a.out) / "engine.json").write_text(json.dumps(out, indent=1))


if __name__ == "__main__":
    main()
