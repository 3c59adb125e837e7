"""Seeded simulator of a top-off reservoir and its noisy level sensor.

A run holds what the sensor emits (t, reading; NaN = unavailable) and the truth on a fine
grid: volume, outflow, use over the trailing 24 h, time to empty without a further refill, and
labelled events. It shares no code and no formula with the integration.
"""

import argparse
from dataclasses import dataclass, field, replace

import numpy as np

DAY, HOUR, MINUTE = 86400.0, 3600.0, 60.0
AREA_CM2, CAP_L, FULL_L = 900.0, 30.0, 28.5
L_PER_CM = AREA_CM2 / 1000.0
REFILL_S = 70 * MINUTE
LOW_L = 1.5
DRAW_S = 30.0
INCH_CM = 2.54
AHEAD_D = 14
DRIFT_CM_DAY, RELAY_L_MIN = -0.3, 1.0
FAULT_HOURS = {"unplug": 3.0, "flap": 3.0, "stuck": 12.0}  # flap: floating input, 0 to 3 mm

# A tapered bin of the same full volume: square, 24 cm at the floor, 36 cm at 33 cm height.
BIN_FLOOR_CM, BIN_TOP_CM, BIN_HEIGHT_CM = 24.0, 36.0, 33.0


@dataclass(frozen=True)
class Scenario:
    """What the water and the sensor do."""

    name: str
    days: float = 8.0
    sample_s: int = 60
    sigma_mm: float = 1.0
    quant_cm: float = 0.0
    mode: str = "steady"  # steady | pulse (100 mL +-10 %)
    spikes: float = 0.0  # fraction of samples
    spike_cm: float = 5.0
    dropouts_per_day: float = 0.0  # unavailable, mean 10 min
    unplugs: tuple = ()  # (day, hours): reading 0
    silences: tuple = ()  # (day, hours): unavailable
    on_change: bool = False
    mean_l_d: float = 3.0
    first_refill_day: float = 3.5
    refill_gap_d: tuple = (6.0, 9.0)
    fill_l_min: float | None = None  # None: every refill takes 70 min
    refills: bool = True
    shape: str = "box"  # box | tapered
    swing_mm: float = 0.0  # probe error by day and night, amplitude
    fault: str = ""  # unplug | flap | stuck | drift | leak | relay_on
    fault_day: float = 2.0
    leak_l_h: float = 0.5
    draws: tuple = ()  # (day, litres): taken out at once, within half a minute
    dt_s: float = 10.0  # step of the truth


def _named(*scenarios):
    return {s.name: s for s in scenarios}


SCENARIOS = _named(
    Scenario("clean", sigma_mm=0.3, quant_cm=0.01),
    Scenario("typical", mode="pulse", quant_cm=0.1, spikes=0.01, dropouts_per_day=3),
    Scenario("inch", sigma_mm=0.5, quant_cm=0.1 * INCH_CM),
    Scenario("noisy", sigma_mm=2.0, quant_cm=0.1, spikes=0.01, dropouts_per_day=3),
    Scenario("fast10", sample_s=10, mode="pulse", quant_cm=0.1, spikes=0.01),
    Scenario(
        "onchange",
        sigma_mm=0.3,
        quant_cm=0.1,
        on_change=True,
        dropouts_per_day=3,
        unplugs=((1.6, 2.0), (5.7, 0.5)),
    ),
)
EXTRAS = _named(
    Scenario("tapered", quant_cm=0.1, spikes=0.01, dropouts_per_day=3, shape="tapered"),
    Scenario(
        "daily",
        quant_cm=0.1,
        spikes=0.01,
        first_refill_day=2.2,
        refill_gap_d=(0.9, 1.1),
        fill_l_min=0.35,
    ),
    Scenario("swing", sigma_mm=0.5, quant_cm=0.1, swing_mm=3.0),
    Scenario("every1s", days=3.0, sample_s=1, quant_cm=0.1, spikes=0.01, first_refill_day=1.6),
    Scenario("every15m", sample_s=900, quant_cm=0.1, spikes=0.01),
    Scenario("every1h", days=16.0, sample_s=3600, quant_cm=0.1, first_refill_day=5.5),
    Scenario("every6h", days=24.0, sample_s=21600, quant_cm=0.1, first_refill_day=6.5),
    Scenario("inchchange", sigma_mm=0.1, quant_cm=0.1 * INCH_CM, on_change=True),
    Scenario("alone", days=10.0, sample_s=300, quant_cm=0.1, spikes=0.01, first_refill_day=2.5),
    Scenario(
        "silent",
        days=14.0,
        sample_s=300,
        quant_cm=0.1,
        spikes=0.01,
        first_refill_day=2.5,
        silences=((4.0, 168.0),),
    ),
)
_F = Scenario("fault", days=4, sample_s=120, quant_cm=0.1, spikes=0.01, refills=False)
FAULTS = {
    n: replace(_F, name="fault_" + n, fault=n)
    for n in ("unplug", "flap", "stuck", "drift", "leak", "relay_on")
}


@dataclass
class Run:
    """Readings and truth of one simulated time."""

    sc: Scenario
    t: np.ndarray  # emission times, s
    x: np.ndarray  # readings, cm (NaN = unavailable)
    g: np.ndarray  # truth grid, s
    vol: np.ndarray  # true litres
    out: np.ndarray  # cumulative outflow, litres (incl. leak)
    cons24: np.ndarray  # L/d over the trailing 24 h (NaN before 24 h)
    tte: np.ndarray  # days to empty without refill
    events: list = field(default_factory=list)  # (t0, t1, label)

    def at(self, arr, t):
        """Truth at any time."""
        return np.interp(t, self.g, arr)

    def mask(self, t, label, pad_after=0.0):
        """Which times lie in events of a label, or up to `pad_after` after one."""
        m = np.zeros(len(t), bool)
        for a, b, lab in self.events:
            if lab == label:
                m |= (t >= a) & (t <= b + pad_after)
        return m

    def spans(self, label):
        """Begin and end of every event of a label."""
        return [(a, b) for a, b, lab in self.events if lab == label]


def depth_table(shape):
    """Depth in cm over litres, as two arrays; the bin by summing thin slices."""
    if shape == "box":
        return np.array([0.0, CAP_L / L_PER_CM]), np.array([0.0, CAP_L])
    h = np.linspace(0.0, BIN_HEIGHT_CM, 33001)
    area = (BIN_FLOOR_CM + (BIN_TOP_CM - BIN_FLOOR_CM) * h / BIN_HEIGHT_CM) ** 2
    slices = 0.5 * (area[1:] + area[:-1]) * np.diff(h) / 1000.0
    return h, np.r_[0.0, np.cumsum(slices)]


def depth_cm(shape, vol):
    """Depth of a volume."""
    if shape == "box":
        return vol / L_PER_CM
    h, litres = depth_table(shape)
    return np.interp(vol, litres, h)


def volume_l(shape, x_cm):
    """Volume of a depth."""
    if shape == "box":
        return x_cm * L_PER_CM
    h, litres = depth_table(shape)
    return np.interp(x_cm, h, litres)


def _demand(sc, rng, n):
    """Litres leaving per grid step, were the reservoir never empty."""
    g = np.arange(n) * sc.dt_s
    k = int(DAY / sc.dt_s / 24)  # hourly OU log rate, tau 5 d, sd 0.15
    a = np.exp(-1 / 120.0)
    h = np.empty(n // k + 2)
    h[0] = rng.normal(0, 0.15)
    for i, e in enumerate(rng.normal(0, 0.15 * np.sqrt(1 - a * a), len(h) - 1)):
        h[i + 1] = a * h[i] + e
    walk = np.interp(g, np.arange(len(h)) * k * sc.dt_s, h)
    rate = sc.mean_l_d * np.exp(walk) * (1 + 0.2 * np.sin(2 * np.pi * g / DAY))
    evap = rate * sc.dt_s / DAY
    if sc.mode == "steady":
        return evap
    out, acc, size = np.zeros(n), 0.0, 0.1
    for i, e in enumerate(evap.tolist()):
        acc += e
        if acc >= size:
            out[i], acc = size, acc - size
            size = 0.1 * rng.uniform(0.9, 1.1)
    return out


def _fault_span(sc):
    f0 = sc.fault_day * DAY
    return f0, f0 + FAULT_HOURS.get(sc.fault, 99.0 * 24) * HOUR


def _with_draws(sc, demand):
    steps = max(1, round(DRAW_S / sc.dt_s))
    for day, litres in sc.draws:
        i = int(day * DAY / sc.dt_s)
        demand[i : i + steps] += litres / steps
    return demand


def _with_fault(sc, demand):
    t = np.arange(len(demand)) * sc.dt_s
    f0 = _fault_span(sc)[0]
    extra = {"leak": sc.leak_l_h / HOUR, "relay_on": RELAY_L_MIN / 60}.get(sc.fault)
    return demand if extra is None else demand + np.where(t >= f0, extra * sc.dt_s, 0)


def _water(sc, rng, demand, n, events):
    """Volume on the grid; refills are noted in `events`."""
    vol = np.empty(n)
    v = min(FULL_L, 4 + sc.mean_l_d * sc.first_refill_day) if sc.refills else 25.0
    nxt = sc.first_refill_day * DAY if sc.refills else np.inf
    fill, fill_end = 0.0, -1.0
    for i, d in enumerate(demand[:n].tolist()):
        t = i * sc.dt_s
        if t >= nxt or (sc.refills and v < LOW_L and t > fill_end):
            lasts = REFILL_S if sc.fill_l_min is None else (FULL_L - v) / sc.fill_l_min * MINUTE
            fill, fill_end = (FULL_L - v) / lasts * sc.dt_s, t + lasts
            nxt = t + rng.uniform(*sc.refill_gap_d) * DAY
            events.append((t, fill_end, "refill"))
        v = max(0.0, v - d + (fill if t < fill_end else 0.0))
        vol[i] = v
    return vol


def _swing_cm(sc, rng, t):
    """Probe error that follows the room's temperature: day and night, and slower weather."""
    if not sc.swing_mm:
        return np.zeros(len(t))
    days = np.arange(int(sc.days) + 2)
    weather = np.interp(t / DAY, days, rng.normal(0, 0.2, len(days)))
    return sc.swing_mm / 10 * (np.sin(2 * np.pi * (t / DAY - 0.4)) + weather)


def _sensed(sc, rng, seed, g, vol):
    """What an unharmed sensor reads."""
    t = g[:: int(sc.sample_s / sc.dt_s)] if sc.sample_s >= sc.dt_s else None
    if t is None:
        t = np.arange(0, sc.days * DAY, sc.sample_s, dtype=float)
    x = depth_cm(sc.shape, np.interp(t, g, vol)) + rng.normal(0, sc.sigma_mm / 10, len(t))
    sp = rng.random(len(t)) < sc.spikes
    x = x + sp * rng.choice([-1, 1], len(t)) * rng.uniform(0.5, sc.spike_cm, len(t))
    x = x + _swing_cm(sc, np.random.default_rng([seed, 77]), t)
    f0 = _fault_span(sc)[0]
    if sc.fault == "drift":
        x = x + np.where(t >= f0, DRIFT_CM_DAY * (t - f0) / DAY, 0)
    if sc.quant_cm:
        x = np.round(x / sc.quant_cm) * sc.quant_cm
    return t, np.clip(np.round(x, 3), 0, None)


def _harm(sc, rng, t, x, events):
    """Put unplugging, flicker, a stuck value and missing readings into the signal, in place."""
    f0, f1 = _fault_span(sc)
    during = (t >= f0) & (t < f1)
    if sc.fault == "stuck":
        x[during] = x[during][0]
    zero = [(f0, f1)] if sc.fault == "unplug" else []
    zero += [(d * DAY, d * DAY + h * HOUR) for d, h in sc.unplugs]
    for a, b in zero:
        x[(t >= a) & (t < b)] = 0.0
        events.append((a, b, "zero"))
    if sc.fault == "flap":
        x[during] = np.round(rng.uniform(0, 0.3, during.sum()), 1)
        events.append((f0, f1, "zero"))
    for a in np.sort(rng.uniform(0, sc.days * DAY, rng.poisson(sc.dropouts_per_day * sc.days))):
        b = a + max(60.0, rng.exponential(600))
        x[(t >= a) & (t < b)] = np.nan
        events.append((a, b, "dropout"))
    for d, h in sc.silences:
        a, b = d * DAY, d * DAY + h * HOUR
        x[(t >= a) & (t < b)] = np.nan
        events.append((a, b, "silent"))


def _changes_only(t, x):
    same = (x[1:] == x[:-1]) | (np.isnan(x[1:]) & np.isnan(x[:-1]))
    keep = np.r_[True, ~same]
    return t[keep], x[keep]


def simulate(sc: Scenario, seed: int = 1) -> Run:
    """One seeded run of a scenario."""
    rng = np.random.default_rng(seed)
    n, ext = int(sc.days * DAY / sc.dt_s), int(AHEAD_D * DAY / sc.dt_s)
    demand = _with_fault(sc, _with_draws(sc, _demand(sc, rng, n + ext)))
    g = np.arange(n) * sc.dt_s
    f0, f1 = _fault_span(sc)
    events = [(f0, min(f1, sc.days * DAY), "fault_" + sc.fault)] if sc.fault else []
    vol = _water(sc, rng, demand, n, events)

    real_out = demand[:n].copy()
    real_out[vol <= 0] = 0
    out = np.cumsum(real_out)
    m = int(DAY / sc.dt_s)
    cons24 = np.full(n, np.nan)
    cons24[m:] = out[m:] - out[:-m]
    dc = np.cumsum(demand)
    steps = np.searchsorted(dc, dc[:n] + vol) - np.arange(n)
    tte = np.clip(steps, 0, ext) * sc.dt_s / DAY

    t, x = _sensed(sc, rng, seed, g, vol)
    _harm(sc, rng, t, x, events)
    if sc.on_change:
        t, x = _changes_only(t, x)
    return Run(sc, t, x, g, vol, out, cons24, tte, sorted(events))


def main():
    """Print a summary of every scenario."""
    ap = argparse.ArgumentParser(description="print a summary of every scenario")
    ap.add_argument("--seed", type=int, default=1)
    seed = ap.parse_args().seed
    for s in (*SCENARIOS.values(), *EXTRAS.values(), *FAULTS.values()):
        r = simulate(s, seed)
        c = r.cons24[~np.isnan(r.cons24)]
        print(
            f"{s.name:15s} n={len(r.t):6d} vol {r.vol.min():5.1f}..{r.vol.max():5.1f} L "
            f"cons24 {c.min():.2f}..{c.max():.2f} L/d nan={np.isnan(r.x).mean():.3f} "
            f"refills={[round(a / DAY, 2) for a, _ in r.spans('refill')]}"
        )


if __name__ == "__main__":
    main()
