"""Tanks and their level sensors: true litres to raw readings, and the curve that a fitter would have made."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .kit import DAY_MIN, Floats


@dataclass(slots=True)
class Tank:
    """A true, smooth curve: `height_mm` (rising) against `litres` (rising), fine steps."""

    height_mm: Floats
    litres: Floats

    def height_of(self, litres: Floats) -> Floats:
        """Surface height in mm for litres in the tank, clamped at the tank's ends."""
        return np.interp(litres, self.litres, self.height_mm)


@dataclass(slots=True)
class LevelSensor:
    """One level transmitter. `mount_mm` is where one that looks down hangs; None for one that measures
    height.
    """

    kind: str
    mount_mm: float | None
    noise_mm: float
    running_noise: float
    air_mm_per_k: float
    drift_mm: Floats
    spike_share: float
    low_raw: float
    high_raw: float
    step_mm: float
    sees_expansion: bool


def draw_tank(rng: np.random.Generator, high_l: float, ledge: float = 0.3) -> Tank:
    """A tank that holds about 1.2 × high_l: sloped floor, a pump well, up to `ledge` of its area in one
    ledge.
    """
    depth = rng.uniform(280, 720)
    h = np.linspace(0.0, depth, 600)
    u = h / depth
    area = 1.0 - rng.uniform(0.0, 0.4) * np.exp(-u / rng.uniform(0.05, 0.2))
    area += rng.uniform(-ledge, ledge) / (1.0 + np.exp(-(u - rng.uniform(0.3, 0.7)) / 0.03))
    litres = np.concatenate([[0.0], np.cumsum(0.5 * (area[1:] + area[:-1]) * np.diff(h))])
    return Tank(h, litres * (1.2 * high_l / litres[-1]))


def draw_sensor(rng: np.random.Generator, tank: Tank, minutes: int) -> LevelSensor:
    """A pressure cell, an ultrasonic sensor or a magnetostrictive float, with its usual faults."""
    kind = str(rng.choice(["pressure", "ultrasonic", "float"], p=[0.45, 0.35, 0.2]))
    depth = float(tank.height_mm[-1])
    months = np.arange(minutes) / (30.0 * DAY_MIN)
    drifts = kind == "pressure" and rng.random() < 0.6
    slope = rng.choice([-1, 1]) * rng.uniform(1.0, 3.0) if drifts else 0.0
    noise = {
        "pressure": rng.uniform(0.5, 1.5),
        "ultrasonic": rng.uniform(1.0, 2.0),
        "float": rng.uniform(0.3, 0.6),
    }
    mount = depth + rng.uniform(60, 250) if kind == "ultrasonic" else None
    ends = (mount - depth, mount) if mount is not None else (0.0, rng.uniform(0.82, 0.97) * depth)
    return LevelSensor(
        kind=kind,
        mount_mm=mount,
        noise_mm=float(noise[kind]),
        running_noise=float(rng.uniform(1.2, 2.5)),
        air_mm_per_k=float(rng.uniform(0.2, 0.6)) if kind == "ultrasonic" else 0.0,
        drift_mm=slope * months,
        spike_share=0.003 if kind == "ultrasonic" else float(rng.choice([0.0, 0.001, 0.003])),
        low_raw=float(ends[0]),
        high_raw=float(ends[1]),
        step_mm=float(rng.choice([0.1, 0.1, 0.5, 1.0])),
        sees_expansion=kind != "pressure",
    )


def read_level(
    rng: np.random.Generator,
    tank: Tank,
    sensor: LevelSensor,
    litres: Floats,
    running: Floats,
    temp_c: Floats,
    air_c: Floats,
) -> Floats:
    """Raw readings of `litres` standing in the tank, one a minute: the sensor's errors, spikes and clamps
    put on.
    """
    seen = litres * (1.0 + 0.00028 * (temp_c - 20.0)) if sensor.sees_expansion else litres
    h = tank.height_of(seen)
    noise = rng.normal(0.0, sensor.noise_mm, len(h)) * np.where(running > 0, sensor.running_noise, 1.0)
    h = h + noise + sensor.drift_mm + sensor.air_mm_per_k * (air_c - 20.0)
    spikes = rng.random(len(h)) < sensor.spike_share
    h = np.where(spikes, h + rng.normal(0, 120, len(h)), h)
    raw = sensor.mount_mm - h if sensor.mount_mm is not None else h
    raw = np.clip(raw, sensor.low_raw, sensor.high_raw)
    return np.round(raw / sensor.step_mm) * sensor.step_mm


def fitted_curve(rng: np.random.Generator, tank: Tank, sensor: LevelSensor) -> list[tuple[float, float]]:
    """The site's curve: 8-15 poured points with small errors of pour and dip stick, raw rising."""
    n = int(rng.integers(8, 16))
    h = np.linspace(0.0, float(tank.height_mm[-1]), n)
    litres = np.interp(h, tank.height_mm, tank.litres)
    pours = np.diff(litres) * (1.0 + rng.normal(0.0, 0.006, n - 1))
    litres = np.concatenate([[litres[0]], litres[0] + np.cumsum(pours)])
    raw = sensor.mount_mm - h if sensor.mount_mm is not None else h
    points = sorted(zip(raw.tolist(), litres.tolist(), strict=True))
    return [(round(r, 1), round(v, 2)) for r, v in points]
