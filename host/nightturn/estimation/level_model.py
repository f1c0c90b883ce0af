"""The levels of a cycle as a model: a free mean for every part of every group, what moves them together, and the noise."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from nightturn.estimation.levels import Levels
from nightturn.estimation.noise_model import Movement, NoiseModel, flicker_covariance
from nightturn.estimation.turns import Bools
from nightturn.model.tiles import Float64s

APART = 0.03
"""Share of a course's spread that must be left beside the patterns and the courses before it to be seen apart from them."""


@dataclass(frozen=True, slots=True)
class Course:
    """Something that moves levels in proportion to it: values (rows,), and the rows over which it is told from others."""

    name: str
    values: Float64s
    over: Bools


class LevelModel(NoiseModel):
    """`NoiseModel` with a column for each part of each group, and one for each course that can be told from them.

    The means of a course over the parts are taken off its column, so that a course far from its reference is no worse to
    fit; `of_groups` leads the levels back to where every course is 0.
    """

    def __init__(self, levels: Levels, courses: Sequence[Course], movements: Sequence[Movement]) -> None:
        """Make the columns.

        Raises:
            InseparableError: the courses cannot be told apart.
        """
        scale = 1 / np.sqrt(levels.variance)
        size = int(levels.part.max()) + 1
        keys, place = np.unique(levels.group * size + levels.part, return_inverse=True)
        patterns = (place[:, None] == np.arange(len(keys))).astype(np.float64)
        weighed = patterns / levels.variance[:, None]
        means = weighed / weighed.sum(0)
        self._groups = keys // size
        self._taken, names, columns = [], [*keys.tolist()], [patterns]
        basis = np.zeros((len(place), 0))
        for course in courses:
            taken = course.values @ means
            column = course.values - taken[place]
            rest = column * scale
            rest = rest - basis @ (basis.T @ rest)
            spread = (course.values - course.values[course.over].mean()) * scale
            if rest @ rest > APART * float(spread[course.over] @ spread[course.over]):
                basis = np.column_stack((basis, rest / np.sqrt(rest @ rest)))
                columns.append(column[:, None])
                names.append(course.name)
                self._taken.append(taken)
        flicker = flicker_covariance(levels.time_s, levels.duration_s)
        super().__init__(np.hstack(columns), names, levels.torque_nm, levels.variance, flicker, movements)

    def of_groups(self, share: dict[int, float]) -> Float64s:
        """Coefficients that give the mean over all parts of each group times its share, where every course is 0."""
        parts = np.zeros(len(self._groups))
        for group, part in share.items():
            here = self._groups == group
            parts[here] = part / max(int(here.sum()), 1)
        return np.concatenate((parts, [-float(parts @ taken) for taken in self._taken]))

    def course(self, name: str) -> float:
        """The size of a course; 0 where it cannot be told from the others."""
        if name not in self._names:
            return 0.0
        picked = np.array([float(each == name) for each in self._names])
        return self.estimate("", picked).value
