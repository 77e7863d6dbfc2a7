//! The mount: where the camera stands over the ground and which way it looks.
//!
//! Ground frame: origin on the ground under the rearmost bumper point;
//! `behind` rearward, `side` toward the vehicle's right, `up`; metres,
//! right-handed (behind × side = up).
//!
//! With all angles zero the camera looks straight rearward and level. Its
//! picture then shows the vehicle's left on the right-hand side: picture-right
//! is −side. From there the camera is turned, in this order:
//! 1. yaw about `up`, positive toward the vehicle's right;
//! 2. pitch about the picture's own horizontal axis, positive down;
//! 3. roll about the optical axis, positive clockwise as seen along the view.
//!
//! So `ray_ground = Rup(yaw) · A · Rx(−pitch) · Rz(roll) · ray_camera`, where `A`
//! carries the camera axes (−side, −up, behind) into the ground frame.

use nalgebra::{Matrix3, Matrix6, Rotation3, Vector3};

use crate::units::{Metres, Radians};

/// Camera pose over the ground, with what is not known about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mount {
    /// Centre of the lens above the ground.
    pub height: Metres,
    /// Downward tilt of the optical axis.
    pub pitch: Radians,
    /// Turn about the optical axis.
    pub roll: Radians,
    /// Turn toward the vehicle's right.
    pub yaw: Radians,
    /// Distance from the lens rearward to the rearmost bumper point; negative
    /// if the lens stands proud of it.
    pub set_back: Metres,
    /// Offset of the lens toward the vehicle's right from its centre line.
    pub side_offset: Metres,
    /// Covariance of (height, pitch, roll, yaw, set_back, side_offset), in
    /// metres and radians.
    pub covariance: Matrix6<f64>,
}

impl Mount {
    /// The camera-to-ground rotation.
    pub fn rotation(&self) -> Matrix3<f64> {
        let a = Matrix3::new(
            0.0, 0.0, 1.0, //
            -1.0, 0.0, 0.0, //
            0.0, -1.0, 0.0,
        );
        let yaw = Rotation3::from_axis_angle(&Vector3::z_axis(), self.yaw.0);
        let pitch = Rotation3::from_axis_angle(&Vector3::x_axis(), -self.pitch.0);
        let roll = Rotation3::from_axis_angle(&Vector3::z_axis(), self.roll.0);
        yaw.matrix() * a * pitch.matrix() * roll.matrix()
    }

    /// The lens centre in the ground frame (behind, side, up), metres.
    pub fn position(&self) -> Vector3<f64> {
        Vector3::new(-self.set_back.0, self.side_offset.0, self.height.0)
    }

    /// The six pose values in the order of the covariance.
    pub fn values(&self) -> [f64; 6] {
        [
            self.height.0,
            self.pitch.0,
            self.roll.0,
            self.yaw.0,
            self.set_back.0,
            self.side_offset.0,
        ]
    }

    /// The same mount with other pose values, in the order of the covariance.
    pub fn with_values(&self, values: [f64; 6]) -> Mount {
        Mount {
            height: Metres(values[0]),
            pitch: Radians(values[1]),
            roll: Radians(values[2]),
            yaw: Radians(values[3]),
            set_back: Metres(values[4]),
            side_offset: Metres(values[5]),
            covariance: self.covariance,
        }
    }
}
