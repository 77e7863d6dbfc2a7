//! Poses of flat targets in closed form, and Zhang's start for the lens.

use nalgebra::{DMatrix, Matrix3, Rotation3, SMatrix, SymmetricEigen, Vector3};

use crate::optics::Lens;

/// Where a flat target stands: `ray = rotation · (x, y, 0) + shift`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TargetPose {
    /// Turn from the target's frame to the camera's.
    pub rotation: Rotation3<f64>,
    /// The target's origin in the camera frame, in the target's unit.
    pub shift: Vector3<f64>,
}

impl TargetPose {
    /// A point of the target in the camera frame.
    pub fn carry(&self, x: f64, y: f64) -> Vector3<f64> {
        self.rotation * Vector3::new(x, y, 0.0) + self.shift
    }

    /// Turned by a small rotation vector and shifted.
    pub(super) fn moved(&self, turn: Vector3<f64>, shift: Vector3<f64>) -> TargetPose {
        TargetPose {
            rotation: Rotation3::new(turn) * self.rotation,
            shift: self.shift + shift,
        }
    }
}

/// The 3×3 matrix that carries (x, y, 1) onto the rays, up to scale, by the
/// direct linear transform. Rays need no picture plane, so they may lie at any
/// angle. `None` for fewer than four points or points on one line.
pub(super) fn homography(points: &[(f64, f64)], rays: &[Vector3<f64>]) -> Option<Matrix3<f64>> {
    let n = points.len() as f64;
    if points.len() < 4 || points.len() != rays.len() {
        return None;
    }
    // Centred and scaled (Hartley 1997), or the smallest eigenvector is noise.
    let (mx, my) = points
        .iter()
        .fold((0.0, 0.0), |(a, b), p| (a + p.0 / n, b + p.1 / n));
    let spread = points
        .iter()
        .map(|p| (p.0 - mx).hypot(p.1 - my))
        .sum::<f64>()
        / n;
    if spread.is_nan() || spread <= 0.0 {
        return None;
    }
    let scale = std::f64::consts::SQRT_2 / spread;
    let mut sums = SMatrix::<f64, 9, 9>::zeros();
    for (p, ray) in points.iter().zip(rays) {
        let q = [scale * (p.0 - mx), scale * (p.1 - my), 1.0];
        let d = ray.normalize();
        // ray × (H q) = 0, three rows of which two are independent.
        for (a, b) in [(0, 1), (1, 2), (2, 0)] {
            let mut row = SMatrix::<f64, 9, 1>::zeros();
            for c in 0..3 {
                row[3 * b + c] = d[a] * q[c];
                row[3 * a + c] = -d[b] * q[c];
            }
            sums += row * row.transpose();
        }
    }
    let eigen = SymmetricEigen::new(sums);
    let mut order: Vec<usize> = (0..9).collect();
    order.sort_by(|&a, &b| eigen.eigenvalues[a].total_cmp(&eigen.eigenvalues[b]));
    // A second vanishing direction means that the points do not fix the plane.
    if eigen.eigenvalues[order[1]] < 1e-10 * eigen.eigenvalues[order[8]] {
        return None;
    }
    let h = eigen.eigenvectors.column(order[0]);
    let h = Matrix3::from_fn(|i, j| h[3 * i + j]);
    let normalise = Matrix3::new(
        scale,
        0.0,
        -scale * mx,
        0.0,
        scale,
        -scale * my,
        0.0,
        0.0,
        1.0,
    );
    let h = h * normalise;
    // The target lies before the camera, not behind it.
    let ahead: f64 = points
        .iter()
        .zip(rays)
        .map(|(p, ray)| (h * Vector3::new(p.0, p.1, 1.0)).dot(ray).signum())
        .sum();
    Some(if ahead < 0.0 { -h } else { h })
}

/// The pose that a homography onto true rays stands for.
pub(super) fn pose(h: &Matrix3<f64>) -> Option<TargetPose> {
    let (a, b) = (h.column(0).into_owned(), h.column(1).into_owned());
    let size = 0.5 * (a.norm() + b.norm());
    if size.is_nan() || size <= 0.0 {
        return None;
    }
    let (a, b) = (a / size, b / size);
    let raw = Matrix3::from_columns(&[a, b, a.cross(&b)]);
    let svd = raw.svd(true, true);
    let (u, v) = (svd.u?, svd.v_t?);
    let rotation = u * Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, (u * v).determinant())) * v;
    Some(TargetPose {
        rotation: Rotation3::from_matrix_unchecked(rotation),
        shift: h.column(2) / size,
    })
}

/// Focal lengths and principal point from homographies of board to *pixel*,
/// without distortion and skew: Z. Zhang, "A flexible new technique for camera
/// calibration", IEEE PAMI 22(11), 2000, section 3.1.
///
/// `rays` of the homographies are (u − width/2, v − height/2, width) in pixels.
pub(super) fn zhang(homographies: &[Matrix3<f64>], like: &Lens) -> Option<Lens> {
    let mut rows = DMatrix::zeros(2 * homographies.len(), 5);
    for (n, h) in homographies.iter().enumerate() {
        let h = h / h.norm();
        let v = |i: usize, j: usize| {
            let (a, b) = (h.column(i), h.column(j));
            [
                a[0] * b[0],
                a[1] * b[1],
                a[0] * b[2] + a[2] * b[0],
                a[1] * b[2] + a[2] * b[1],
                a[2] * b[2],
            ]
        };
        let (v12, v11, v22) = (v(0, 1), v(0, 0), v(1, 1));
        for k in 0..5 {
            rows[(2 * n, k)] = v12[k];
            rows[(2 * n + 1, k)] = v11[k] - v22[k];
        }
    }
    let eigen = SymmetricEigen::new(rows.transpose() * rows);
    let least = eigen.eigenvalues.imin();
    let b = eigen.eigenvectors.column(least);
    let b = if b[0] < 0.0 { -b } else { b.into_owned() };
    let (b11, b22, b13, b23, b33) = (b[0], b[1], b[2], b[3], b[4]);
    let lambda = b33 - b13 * b13 / b11 - b23 * b23 / b22;
    let size = f64::from(like.width);
    let lens = Lens {
        fx: size * (lambda / b11).sqrt(),
        fy: size * (lambda / b22).sqrt(),
        cx: 0.5 * size - size * b13 / b11,
        cy: 0.5 * f64::from(like.height) - size * b23 / b22,
        ..*like
    };
    let plausible = |f: f64| f > 0.1 * size && f < 20.0 * size;
    (plausible(lens.fx)
        && plausible(lens.fy)
        && lens.cx.abs() < 2.0 * size
        && lens.cy.abs() < 2.0 * size)
        .then_some(lens)
}
