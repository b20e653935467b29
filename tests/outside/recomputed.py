"""Slide, sinking, knee peaks and timing computed once more, from a file's own joints.

World transforms come from MuJoCo's kinematics (mujoco_tree), never from ours. What is taken from
our report is data only: which part of which foot is planted from when to when, where the points
of a sole lie in their joints, and the floor. Definitions are those that the report states:
- slide of a plant: the largest distance along the floor between any two positions of the part;
- sinking: the greatest depth of a sole point below the floor in any frame;
- knee peak: the largest central second difference of the knee's bend over time squared.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial.distance import pdist
from scipy.spatial.transform import Rotation

from outside.mujoco_tree import Result

MM = 1000.0
LONGEST_LAG_FRAMES = 8


@dataclass
class Moving:
    """A clip in the world: positions in metres, and the unit vector that points up."""

    world: Result
    up: np.ndarray
    frame_time_secs: float

    def index(self, joint: str) -> int:
        indices = [k for k, name in enumerate(self.world.names) if name == joint]
        assert len(indices) == 1, f"{joint}: found {len(indices)} times"
        return indices[0]

    def track_m(self, joint: str, local_m=(0.0, 0.0, 0.0)) -> np.ndarray:
        """World positions (frames, 3) of a point given in a joint's coordinates."""
        index = self.index(joint)
        turn = Rotation.from_quat(self.world.rotations_xyzw[:, index])
        return self.world.positions_m[:, index] + turn.apply(np.asarray(local_m))

    def heights_m(self, track_m: np.ndarray) -> np.ndarray:
        return track_m @ self.up

    def on_floor_m(self, track_m: np.ndarray) -> np.ndarray:
        """The level part of positions."""
        return track_m - np.outer(self.heights_m(track_m), self.up)


def slide_extent_mm(moving: Moving, track_m: np.ndarray, first: int, last: int) -> float:
    level_m = moving.on_floor_m(track_m[first : last + 1])
    return MM * float(pdist(level_m).max()) if len(level_m) > 1 else 0.0


def signed_bends_rad(moving: Moving, hip: str, knee: str, ankle: str) -> np.ndarray:
    """Bend of a knee frame by frame, 0 for a straight leg, without a kink at 0.

    The sign is that of the turn about the knee's mean axis in the coordinates of the hip joint.
    """
    to_thigh = Rotation.from_quat(moving.world.rotations_xyzw[:, moving.index(hip)]).inv()
    knee_m = moving.track_m(knee)
    thigh = to_thigh.apply(knee_m - moving.track_m(hip))
    shank = to_thigh.apply(moving.track_m(ankle) - knee_m)
    normals = np.cross(thigh, shank)
    # The most bent frame tells which way a knee bends.
    most_bent = normals[np.argmax(np.linalg.norm(normals, axis=1))]
    normals *= np.sign(normals @ most_bent)[:, None]
    axis = normals.sum(axis=0) / np.linalg.norm(normals.sum(axis=0))
    thigh, shank = (bone - np.outer(bone @ axis, axis) for bone in (thigh, shank))
    return np.unwrap(np.arctan2(np.cross(thigh, shank) @ axis, np.einsum("ij,ij->i", thigh, shank)))


def peak_acceleration(values: np.ndarray, frame_time_secs: float) -> float:
    return float(np.abs(np.diff(values, n=2)).max() / frame_time_secs**2)


def speeds(moving: Moving, joint: str, pelvis: str) -> np.ndarray:
    """Speeds of a joint relative to the pelvis, frame by frame."""
    way_m = moving.track_m(joint) - moving.track_m(pelvis)
    return np.linalg.norm(np.gradient(way_m, moving.frame_time_secs, axis=0), axis=1)


def lag_frames(ours: list[np.ndarray], takes: list[np.ndarray]) -> int:
    """Lag at which the speeds of all limbs agree best, positive where ours is late.

    Pearson's coefficient of all limbs at once, each standardised, over the frames that overlap.
    """
    standard = lambda curves: np.array([(curve - curve.mean()) / curve.std() for curve in curves])  # noqa: E731
    mine, theirs = standard(ours), standard(takes)
    frames = mine.shape[1]
    longest = min(LONGEST_LAG_FRAMES, frames // 4)

    def agreement(lag: int) -> float:
        own = mine[:, max(lag, 0) : frames + min(lag, 0)]
        other = theirs[:, max(-lag, 0) : frames + min(-lag, 0)]
        return float(np.corrcoef(own.ravel(), other.ravel())[0, 1])

    return max(range(-longest, longest + 1), key=agreement)
