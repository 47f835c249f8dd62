"""Reference points for lens distortion and the laser-plane homography.

Distorts known undistorted pixels with the radial model through cv2.projectPoints, undoes it with
cv2.undistortPoints, and maps to the plane with cv2.perspectiveTransform.
Run: python make.py > points.csv
"""

import cv2
import numpy as np

K = np.array([[2910.0, 0.0, 1012.5], [0.0, 2905.0, 530.25], [0.0, 0.0, 1.0]])
H = np.array([[0.21, 0.003, -190.0], [0.002, -0.33, 160.0], [1e-6, 2.1e-4, 1.0]])

print(f"# cv2 {cv2.__version__}, numpy {np.__version__}; K = {K.tolist()}; H = {H.tolist()}")
print("k1,k2,column,row,undistorted_column,undistorted_row,x_mm,z_mm")
for k1, k2 in [(0.0, 0.0), (-0.21, 0.09), (0.13, -0.02), (-0.08, 0.0)]:
    dist = np.array([k1, k2, 0.0, 0.0])
    for column in np.linspace(3.0, 2040.0, 7):
        for row in np.linspace(1.5, 1080.0, 5):
            normal = np.array([[(column - K[0, 2]) / K[0, 0], (row - K[1, 2]) / K[1, 1], 1.0]])
            seen, _ = cv2.projectPoints(normal, np.zeros(3), np.zeros(3), K, dist)
            criteria = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 2000, 1e-15)
            back = cv2.undistortPoints(seen.reshape(-1, 1, 2), K, dist, R=None, P=K, criteria=criteria)
            plane = cv2.perspectiveTransform(back, H)
            # OpenCV's own inverse must have converged to what was put in.
            assert np.allclose(back.ravel(), [column, row], atol=1e-7), (k1, k2, column, row, back)
            u, v = seen.ravel()
            bu, bv = back.ravel()
            x, z = plane.ravel()
            print(",".join(repr(float(n)) for n in (k1, k2, u, v, bu, bv, x, z)))
