"""Where the card lies in the picture: a homography and the lens' radial distortion, and the way from one to pixels."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from huewright.models.card import Card


@dataclass(frozen=True)
class Pose:
    """Card units to pixels: ``homography`` (3, 3) to straight pixels, then radial distortion about ``middle``.

    A straight point at distance r from the middle (measured in ``radius``, half the picture's diagonal) appears at
    r (1 + distortion r^2). ``stretch`` is the pixel aspect: distortion is round in square pixels.
    """

    homography: np.ndarray
    distortion: float = 0.0
    middle: tuple[float, float] = (0.0, 0.0)
    radius: float = 1.0
    stretch: float = 1.0

    def to_pixels(self, points: np.ndarray) -> np.ndarray:
        """Pixels (n, 2) of card points (n, 2)."""
        h = points @ self.homography[:, :2].T + self.homography[:, 2]
        p: np.ndarray = h[:, :2] / h[:, 2:]
        if self.distortion == 0.0:
            return p
        d = (p - self.middle) * (self.stretch / self.radius, 1.0 / self.radius)
        bent: np.ndarray = self.middle + (p - self.middle) * (1 + self.distortion * (d * d).sum(axis=1, keepdims=True))
        return bent

    def scaled(self, factor: float) -> Pose:
        """The same pose in a picture ``factor`` times as large."""
        scale = np.diag([factor, factor, 1.0])
        return replace(self, homography=scale @ self.homography, radius=self.radius * factor,
                       middle=(self.middle[0] * factor, self.middle[1] * factor))

    def corners(self, card: Card) -> np.ndarray:
        return self.to_pixels(np.array(card.corners, dtype=np.float64))

    def polygons(self, card: Card, inner: float = 1.0) -> list[np.ndarray]:
        """Pixel polygons of the patches, shrunk about their middles to the fraction ``inner`` of their size."""
        polygons = []
        for patch in card.patches:
            points = np.array(patch.polygon, dtype=np.float64)
            centre = points.mean(axis=0)
            polygons.append(self.to_pixels(centre + inner * (points - centre)))
        return polygons

    def area_scale(self, points: np.ndarray) -> np.ndarray:
        """Pixels per square card unit at each of ``points`` (n, 2), distortion left aside."""
        depth = points @ self.homography[2, :2] + self.homography[2, 2]
        result: np.ndarray = np.abs(np.linalg.det(self.homography) / depth**3)
        return result


def plain_pose(homography: np.ndarray, width: int, height: int, pixel_aspect: float = 1.0) -> Pose:
    """A pose without distortion in a picture of ``width`` x ``height`` pixels."""
    radius = float(np.hypot(width * pixel_aspect, height) / 2)
    return Pose(homography / homography[2, 2], 0.0, (width / 2, height / 2), radius, pixel_aspect)
