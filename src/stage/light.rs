//! Sun, sky, lamps and what stands on the skyline.
//!
//! Light is counted in units of 100 000 lux, so white paper in full sun has
//! the value 1, and radiance is scaled by π: a uniform sky of value L gives
//! flat ground the illuminance L.

use super::noise::{octaves, smoothstep, value};
use super::scene::{Dapple, Light, LightKind};
use super::shape::V3;

const UNIT_LUX: f32 = 100_000.0;

/// A lamp at a point.
#[derive(Debug, Clone, Copy)]
pub struct Lamp {
    /// Where, world frame.
    pub at: V3,
    /// Which way it shines; `None` is all around.
    pub aim: Option<V3>,
    /// Luminous intensity on its axis, in units of 100 000 cd, by colour.
    pub power: V3,
}

impl Lamp {
    /// Illuminance at `p` on a surface with normal `n`, and the unit vector
    /// and distance toward the lamp; `None` if it does not shine there.
    pub fn reach(&self, p: &V3, n: &V3) -> Option<(V3, V3, f32)> {
        let to = self.at - p;
        let dist = to.norm().max(0.05);
        let dir = to / dist;
        let facing = n.dot(&dir);
        if facing <= 0.0 {
            return None;
        }
        let spread = match self.aim {
            // A lamp with a prismatic lens: half its intensity at about 35°.
            Some(aim) => (-aim.dot(&dir)).max(0.0).powi(3),
            None => 1.0,
        };
        (spread > 1e-3).then(|| (self.power * (spread * facing / (dist * dist)), dir, dist))
    }
}

/// All light of a scene.
#[derive(Debug, Clone)]
pub struct Lights {
    /// Unit vector toward the sun.
    pub sun_dir: V3,
    /// Illuminance of the sun at right angles.
    pub sun: V3,
    /// Illuminance of the sky on flat ground, without the sun.
    pub sky: V3,
    /// Lamps fixed to the world.
    pub lamps: Vec<Lamp>,
    /// Intensity of each reversing lamp, on the own vehicle.
    pub reversing: V3,
    /// Leaves in the sun.
    pub dapple: Option<Dapple>,
    indoors: bool,
    seed: u32,
}

impl Lights {
    /// Sets up the light of a scene.
    pub fn new(light: &Light, seed: u32) -> Lights {
        let (sun_lux, sky_lux, lamps_cd, elevation) = match light.kind {
            LightKind::Sun => (75_000.0, 14_000.0, 0.0, 38.0),
            LightKind::Overcast => (0.0, 11_000.0, 0.0, 40.0),
            LightKind::Dusk => (0.0, 60.0, 250.0, 0.0),
            LightKind::Night => (0.0, 0.15, 250.0, 0.0),
            LightKind::Garage => (0.0, 45.0, 250.0, 0.0),
        };
        let sky_tint = match light.kind {
            LightKind::Sun => V3::new(0.82, 0.97, 1.28),
            LightKind::Overcast => V3::new(0.97, 1.0, 1.05),
            LightKind::Dusk => V3::new(0.85, 0.95, 1.3),
            LightKind::Night => V3::new(1.1, 0.95, 0.9),
            LightKind::Garage => V3::new(1.0, 1.02, 0.92),
        };
        let e = light.sun_elevation_deg.unwrap_or(elevation).to_radians();
        let (sa, ca) = light.sun_azimuth_deg.to_radians().sin_cos();
        // The lower the sun, the redder: a rough fit by eye.
        let red = 1.0 - smoothstep(0.05, 0.6, e);
        let sun_tint = V3::new(1.05 + 0.15 * red, 1.0 - 0.08 * red, 0.88 - 0.35 * red);
        let mut lamps: Vec<Lamp> = light
            .lamp
            .iter()
            .map(|l| Lamp {
                at: V3::new(l[0], l[1], l[2]),
                aim: Some(V3::new(0.0, 0.0, -1.0)),
                power: V3::new(1.12, 1.0, 0.72) * (l[3] / UNIT_LUX),
            })
            .collect();
        if light.kind == LightKind::Garage && lamps.is_empty() {
            for (x, y) in [(-1.0, -1.4), (2.6, 1.6), (6.5, -1.4)] {
                lamps.push(Lamp {
                    at: V3::new(x, y, 2.35),
                    aim: Some(V3::new(0.0, 0.0, -1.0)),
                    power: V3::new(0.98, 1.02, 0.93) * (220.0 / UNIT_LUX),
                });
            }
        }
        Lights {
            sun_dir: V3::new(e.cos() * ca, e.cos() * sa, e.sin()),
            sun: sun_tint * (light.sun_lux.unwrap_or(sun_lux) / UNIT_LUX),
            sky: sky_tint * (light.sky_lux.unwrap_or(sky_lux) / UNIT_LUX),
            lamps,
            reversing: V3::new(1.15, 1.0, 0.78)
                * (light.reversing_lamps_cd.unwrap_or(lamps_cd) / UNIT_LUX),
            dapple: light.dapple,
            indoors: light.kind == LightKind::Garage,
            seed,
        }
    }

    /// What a ray sees that meets nothing.
    pub fn beyond(&self, d: &V3) -> V3 {
        let up = d.z.max(0.0);
        if self.indoors {
            // A pale ceiling over dark walls.
            return self.sky * (0.25 + 0.5 * smoothstep(0.12, 0.3, up));
        }
        let azimuth = d.y.atan2(d.x);
        let roof = 0.035
            + 0.05 * (0.5 + 0.5 * value(azimuth * 2.2, 0.3, self.seed ^ 201))
            + 0.03 * (0.5 + 0.5 * value(azimuth * 9.0, 3.3, self.seed ^ 202)).powi(2)
            + 0.006 * value(azimuth * 70.0, 7.3, self.seed ^ 203);
        let sky = self.sky * (1.35 - 0.55 * smoothstep(0.0, 0.6, up));
        let toward = d.dot(&self.sun_dir).max(0.0);
        let glare = self.sun * (0.25 * toward.powi(12) + 30.0 * toward.powi(2000));
        let behind = 1.0 - smoothstep(roof - 0.004, roof + 0.004, d.z);
        if behind <= 0.0 {
            return sky + glare;
        }
        let leafy = smoothstep(-0.2, 0.3, value(azimuth * 1.3, 9.9, self.seed ^ 204));
        let tone = 1.0
            + 0.5
                * octaves(
                    azimuth,
                    d.z,
                    &[(0.25, 0.5), (0.06, 0.5), (0.015, 0.5)],
                    0.004,
                    self.seed ^ 205,
                );
        let colour = V3::new(0.05, 0.075, 0.03) * leafy + V3::new(0.2, 0.17, 0.15) * (1.0 - leafy);
        let lit = self.sky * 0.6 + self.sun * (0.35 * (0.4 - 0.6 * toward).max(0.1));
        let front = colour.component_mul(&lit) * tone.max(0.2) + sky * 0.12;
        (sky + glare) * (1.0 - behind) + front * behind
    }

    /// Share of the sun that leaves let through at a point of the ground.
    pub fn dappled(&self, x: f32, y: f32, time_s: f32, footprint_m: f32) -> f32 {
        let Some(d) = self.dapple else { return 1.0 };
        let phase = time_s * d.sway_hz * std::f32::consts::TAU;
        let sway = d.sway_m * (phase.sin() + 0.4 * (2.3 * phase).sin());
        let (u, v) = (x + 0.6 * sway, y + sway - d.drift_mps * time_s);
        let s = d.size_m.max(0.02);
        let n = octaves(
            u,
            v,
            &[(3.0 * s, 0.5), (s, 0.5), (0.4 * s, 0.3), (0.15 * s, 0.12)],
            footprint_m,
            self.seed ^ 300,
        );
        let level = 0.45 * (d.share - 0.5) * 2.0;
        // The sun's disc, 0.5° wide, blurs an edge 4 m up by some 4 cm.
        0.06 + 0.94 * smoothstep(level - 0.09, level + 0.09, n)
    }
}
