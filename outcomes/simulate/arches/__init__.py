"""Invented arches of teeth as scans, whose crowns move exactly as asked.

``simulate_arch`` gives three meshes, start, plan and outcome, with the truth beside them.
"""

from outcomes.simulate.arches.arch import simulate_arch
from outcomes.simulate.arches.crowns import SHAPES
from outcomes.simulate.arches.motions import Axes
from outcomes.simulate.arches.simulated import SimulatedArch
from outcomes.simulate.arches.surface import Mesh
from outcomes.simulate.arches.write import write_mesh

__all__ = ["SHAPES", "Axes", "Mesh", "SimulatedArch", "simulate_arch", "write_mesh"]
