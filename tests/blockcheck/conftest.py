"""Drawn gel: speckle of a known law, with gas, shadows, lines and depth put in. All of it invented."""

import cv2
import numpy as np
import pytest

from needlecoach.blockcheck.view import View
from needlecoach.model import Region, Scale

MM_PER_PX = 0.1
REGION = Region("rectangle", (0, 0, 400, 400))
SCALE = Scale.from_mm_per_px(MM_PER_PX)


class Gel:
    """A picture of 40 x 40 mm as intensities; what is put in multiplies them or adds to them."""

    def __init__(self, seed=0, looks=1, grain_px=(4.0, 1.6)):
        rng = np.random.default_rng(seed)
        self.amplitude = np.mean([self._speckle(rng, grain_px) for _ in range(looks)], axis=0)

    @staticmethod
    def _speckle(rng, grain_px):
        """Modulus of complex normal numbers: the Rayleigh law, alike over some pixels."""
        parts = [
            cv2.GaussianBlur(
                rng.standard_normal((400, 400)), (0, 0), sigmaX=grain_px[0] / 2, sigmaY=grain_px[1] / 2
            )
            for _ in range(2)
        ]
        modulus = np.hypot(*parts)
        return modulus / np.sqrt(np.mean(modulus**2))

    @property
    def places_mm(self):
        y, x = np.mgrid[:400, :400] * MM_PER_PX
        return x, y

    def fall(self, db_per_cm):
        self.amplitude *= 10 ** (-db_per_cm * self.places_mm[1] / 10 / 20)
        return self

    def gas(self, x_mm, y_mm, width_mm, *, bright_db=25.0, shadow_db=10.0):
        x, y = self.places_mm
        below = (np.abs(x - x_mm) < width_mm / 2) & (y > y_mm)
        self.amplitude[below] *= 10 ** (-shadow_db / 20)
        top = (np.abs(x - x_mm) < width_mm / 2) & (np.abs(y - y_mm) < 0.4)
        self.amplitude[top] = 10 ** (bright_db / 20)
        return self

    def fluid(self, x_mm, y_mm, radius_mm):
        """A ball of fluid: a bright top wall, dark inside, brighter gel below."""
        x, y = self.places_mm
        away = np.hypot(x - x_mm, y - y_mm)
        self.amplitude[(np.abs(x - x_mm) < 0.8 * radius_mm) & (y > y_mm)] *= 10 ** (4 / 20)
        self.amplitude[away < radius_mm] *= 10 ** (-20 / 20)
        self.amplitude[(np.abs(away - radius_mm) < 0.3) & (y < y_mm - 0.8 * radius_mm)] = 10 ** (22 / 20)
        return self

    def line(self, y_mm, *, tilt_deg=0.0, db=10.0, to_mm=40.0):
        x, y = self.places_mm
        near = np.abs(y - y_mm - np.tan(np.radians(tilt_deg)) * (x - 20)) < 0.15
        self.amplitude[near & (x < to_mm)] *= 10 ** (db / 20)
        return self

    def streak(self, angle_deg, *, db=24.0):
        """A needle: a straight bright way from the left edge to the middle."""
        x, y = self.places_mm
        turn = np.radians(angle_deg)
        across = np.abs((x - 20) * np.sin(turn) - (y - 20) * np.cos(turn))
        self.amplitude[(across < 0.3) & (x < 20)] = 10 ** (db / 20)
        return self

    def pixels(self, dynamic_range_db=60.0, white_db=25.0):
        level = 20 * np.log10(self.amplitude + 1e-6) - white_db
        return np.clip((level / dynamic_range_db + 1) * 255, 0, 255).round().astype(np.uint8)

    def view(self, dynamic_range_db=60.0, **how):
        return View.of(self.pixels(**how), REGION, SCALE, dynamic_range_db)


@pytest.fixture
def gel():
    return Gel
