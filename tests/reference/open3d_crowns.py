"""Registers the reference crowns with Open3D and stores the motions: python -m tests.reference.open3d_crowns

Open3D (Zhou QY, Park J, Koltun V. arXiv:1801.09847): point-to-plane ICP with Tukey's loss, coarse to
fine. It begins at the true motion shifted by 0.3 mm, as it has no search of its own. Needs
``pip install open3d``; the stored values need nothing.
"""

import json
from pathlib import Path

import numpy as np

from tests.measure.reference_crowns import crowns

STORED = Path(__file__).with_suffix(".json")


def motions() -> dict[int, list[list[float]]]:
    """Tooth -> (4, 4), from the start scan to the later one."""
    import open3d as o3d

    icp = o3d.pipelines.registration
    found = {}
    for tooth, crown in crowns().items():
        source, target = o3d.geometry.PointCloud(), o3d.geometry.PointCloud()
        source.points = o3d.utility.Vector3dVector(crown.patch.points)
        target.points = o3d.utility.Vector3dVector(crown.mesh.vertices)
        target.normals = o3d.utility.Vector3dVector(crown.mesh.smooth_normals)
        guess = crown.moved.copy()
        guess[:3, 3] += [0.2, -0.15, 0.15]
        for reach, width in ((1.0, 0.5), (0.5, 0.2), (0.4, 0.1)):
            guess = icp.registration_icp(
                source, target, reach, guess,
                icp.TransformationEstimationPointToPlane(icp.TukeyLoss(k=width)),
                icp.ICPConvergenceCriteria(1e-9, 1e-9, 100),
            ).transformation  # fmt: skip
        found[tooth] = np.asarray(guess).round(7).tolist()
    return found


if __name__ == "__main__":
    import open3d

    values = {"library": f"open3d {open3d.__version__}", "motions": motions()}
    STORED.write_text(json.dumps(values, indent=1) + "\n", encoding="utf-8")
