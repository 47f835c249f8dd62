"""Closed meshes with their volume and area by trimesh. Run: python generate.py"""
import pathlib
import numpy as np
import pyvista
import trimesh

HERE = pathlib.Path(__file__).parent


def turned(mesh, degrees):
    return mesh.apply_transform(trimesh.transformations.rotation_matrix(np.radians(degrees), [0, 0, 1]))


def two_boxes():
    """Two boxes apart: one mesh, two bodies."""
    return trimesh.util.concatenate([
        trimesh.creation.box(extents=[20, 30, 10]).apply_translation([0, 0, 5]),
        trimesh.creation.box(extents=[15, 15, 25]).apply_translation([60, 0, 12.5])])


MESHES = {
    "box": trimesh.creation.box(extents=[80, 50, 20]).apply_translation([40, 25, 10]),
    "box_turned": turned(trimesh.creation.box(extents=[80, 50, 20]), 30.0),
    "two_boxes": two_boxes(),
    "capsule": trimesh.creation.capsule(height=60, radius=15, count=[24, 24]),
    "icosphere": trimesh.creation.icosphere(subdivisions=2, radius=25.0),
    "nut": trimesh.load(pathlib.Path(pyvista.__file__).parent / "examples" / "nut.ply"),
}

lines = ["mesh,closed,volume_mm3,area_mm2,centroid_x_mm,centroid_y_mm,centroid_z_mm,extent_x_mm,extent_y_mm,extent_z_mm,vertices,triangles"]
for name, mesh in MESHES.items():
    # The rounded coordinates are the mesh: its volume is computed from them, not from the exact shape.
    mesh = trimesh.Trimesh(np.round(mesh.vertices, 4), mesh.faces, process=False)
    mesh.merge_vertices()
    with open(HERE / f"{name}.txt", "w") as out:
        out.writelines("v {:.4f} {:.4f} {:.4f}\n".format(*v) for v in mesh.vertices)
        out.writelines("t {} {} {}\n".format(*t) for t in mesh.faces)
    numbers = [mesh.volume, mesh.area, *mesh.center_mass, *mesh.extents]
    closed = "yes" if mesh.is_watertight else "no"
    lines.append(f"{name},{closed}," + ",".join(f"{v:.6f}" for v in numbers) + f",{len(mesh.vertices)},{len(mesh.faces)}")
(HERE / "volumes.csv").write_text("\n".join(lines) + "\n")
print("trimesh", trimesh.__version__, "pyvista", pyvista.__version__, "numpy", np.__version__)
