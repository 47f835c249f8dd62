"""Makes sample-scans/food-models: meshes of objects as an overhead laser scanner sees them. Run: python generate.py

Needs robosuite 1.5.2 for its mesh files only, unpacked without its dependencies:
    pip download --no-deps robosuite==1.5.2 && unzip robosuite-1.5.2-py3-none-any.whl -d robosuite-wheel
    python generate.py robosuite-wheel
"""
import pathlib
import sys
import numpy as np
import pyvista
import trimesh
from PIL import Image
from scipy import ndimage

ROBOSUITE = pathlib.Path(sys.argv[1]) / "robosuite/models/assets/objects/meshes"
PYVISTA = pathlib.Path(pyvista.__file__).parent / "examples"
OUT = pathlib.Path(__file__).parents[3] / "sample-scans/food-models"
rng = np.random.default_rng(20260307)

PITCH = 0.4                 # mm, both ways
FINE = 5                    # fine cells per sample each way: the middle one is the sample's centre
COLUMNS, ROWS = 675, 500
CAMERA_DEG = 25.0           # camera at smaller y, so that shadows fall towards larger y
NOISE_MM, DROPOUTS = 0.05, 0.01
SCALE_MM, OFFSET_MM = 0.01, -5.0
ROLL, PITCH_TILT, BELT_MM = 0.0015, -0.0008, 0.4   # belt: slopes across and along, height at the frame's corner

#           name     file                        mm per unit, scale, RGB
OBJECTS = {
    "bread": (ROBOSUITE / "bread.stl", 1000.0, 1.0, (176, 120, 66)),
    "lemon": (ROBOSUITE / "lemon.stl", 1000.0, 1.4, (214, 190, 60)),
    "nut": (PYVISTA / "nut.ply", 1.0, 1.4, (120, 98, 88)),
}
#         object   x    y    turned by, degrees
PLACES = [("bread", 46, 46, 12), ("lemon", 135, 44, 25), ("nut", 224, 47, 0),
          ("nut", 45, 142, 20), ("bread", 136, 140, 57), ("lemon", 222, 143, 100)]


def resting(name):
    """The mesh in mm in its most probable resting pose, its lowest point at z = 0."""
    path, unit, scale, _ = OBJECTS[name]
    mesh = trimesh.load(path, force="mesh")
    assert mesh.is_watertight, name
    mesh.apply_scale(unit * scale)
    poses, chances = mesh.compute_stable_poses(n_samples=1)
    mesh.apply_transform(poses[np.argmax(chances)])
    return mesh


def raster(mesh, height, fine_mm):
    """Highest z of the mesh at each fine cell's centre, into `height`."""
    rows, columns = height.shape
    for triangle in mesh.triangles:
        (x0, y0, _), (x1, y1, _) = triangle.min(axis=0), triangle.max(axis=0)
        c = np.arange(max(int(x0 / fine_mm) - 1, 0), min(int(x1 / fine_mm) + 2, columns))
        r = np.arange(max(int(y0 / fine_mm) - 1, 0), min(int(y1 / fine_mm) + 2, rows))
        x, y = np.meshgrid((c + 0.5) * fine_mm, (r + 0.5) * fine_mm)
        p, u, v = triangle[0], triangle[1] - triangle[0], triangle[2] - triangle[0]
        area = u[0] * v[1] - u[1] * v[0]
        if abs(area) < 1e-12:
            continue
        s = ((x - p[0]) * v[1] - (y - p[1]) * v[0]) / area
        t = ((y - p[1]) * u[0] - (x - p[0]) * u[1]) / area
        inside = (s >= -1e-9) & (t >= -1e-9) & (s + t <= 1 + 1e-9)
        window = height[r[0]:r[-1] + 1, c[0]:c[-1] + 1]
        np.maximum(window, np.where(inside, p[2] + s * u[2] + t * v[2], 0.0), out=window)


fine_mm = PITCH / FINE
height = np.zeros((ROWS * FINE, COLUMNS * FINE))
colour = np.empty((ROWS, COLUMNS, 3))
colour[:] = (52, 96, 150)
truth = []
for name, x, y, degrees in PLACES:
    mesh = resting(name)
    turn = trimesh.transformations.rotation_matrix(np.radians(degrees), [0, 0, 1])
    mesh.apply_transform(turn)
    middle = mesh.bounds.mean(axis=0)
    mesh.apply_translation([x - middle[0], y - middle[1], -mesh.bounds[0, 2]])
    alone = np.zeros_like(height)
    raster(mesh, alone, fine_mm)
    seen = alone > 0
    assert not (seen & (height > 0)).any(), "objects touch"
    cell = fine_mm * fine_mm
    r, c = np.nonzero(seen)
    truth.append([name, degrees, (c.mean() + 0.5) * fine_mm, (r.mean() + 0.5) * fine_mm, alone.sum() * cell / 1000,
                  mesh.volume / 1000, seen.sum() * cell / 100, mesh.bounds[1, 2]])
    height = np.maximum(height, alone)
    slope = np.gradient(alone, fine_mm)
    light = 1 / np.sqrt(1 + slope[0] ** 2 + slope[1] ** 2)
    at = (slice(FINE // 2, None, FINE),) * 2
    shade = (0.55 + 0.45 * light[at])[..., None] ** (1 / 2.2)
    colour = np.where(seen[at][..., None], np.array(OBJECTS[name][3]) * shade, colour)

# A point is hidden from the camera when one nearer to it rises above the line of sight.
y = (np.arange(ROWS * FINE) + 0.5)[:, None] * fine_mm
sight = height + y / np.tan(np.radians(CAMERA_DEG))
hidden = np.maximum.accumulate(sight, axis=0) > sight + 1e-9
at = (slice(FINE // 2, None, FINE),) * 2
xs = (np.arange(COLUMNS) + 0.5) * PITCH
ys = (np.arange(ROWS) + 0.5) * PITCH
belt = BELT_MM + ROLL * xs[None] + PITCH_TILT * ys[:, None]
z = height[at] + belt + rng.normal(0, NOISE_MM, (ROWS, COLUMNS))
lost = hidden[at] | (rng.random((ROWS, COLUMNS)) < DROPOUTS)
counts = np.where(lost, 0, np.clip(np.rint((z - OFFSET_MM) / SCALE_MM), 1, 65535)).astype(np.uint16)

OUT.mkdir(parents=True, exist_ok=True)
Image.fromarray(counts).save(OUT / "height.png", optimize=True)
texture = ndimage.gaussian_filter(rng.normal(0, 1, (ROWS, COLUMNS)), 1.5)
texture *= 4 / texture.std()
colour = np.clip(np.rint(colour + texture[..., None]), 0, 255).astype(np.uint8)
Image.fromarray(colour).save(OUT / "colour.jpg", quality=90, subsampling=0)
truth.sort(key=lambda row: (row[3] > ROWS * PITCH / 2, row[2]))
lines = ["object,turned_deg,x_mm,y_mm,raster_volume_cm3,mesh_volume_cm3,area_cm2,max_height_mm"]
lines += [f"{n},{d},{x:.2f},{y:.2f},{rv:.3f},{mv:.3f},{a:.3f},{h:.3f}" for n, d, x, y, rv, mv, a, h in truth]
(OUT / "truth.csv").write_text("\n".join(lines) + "\n")
print("\n".join(lines))
print(f"{hidden[at].mean():.4f} of the frame in shadow, {lost.mean():.4f} without return")
print("trimesh", trimesh.__version__, "numpy", np.__version__, "pyvista", pyvista.__version__)
