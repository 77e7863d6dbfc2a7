//! From blobs to contacts: metres, their uncertainty, height and area.

use crate::optics::{Ground, GroundPoint, PixelPoint};
use crate::profile::{Profile, WatchArea};
use crate::track::Contact;

use super::Blob;

/// Places of a contact line whose ranges differ by less count as equally near.
const SAME_RANGE_M: f64 = 0.05;
const SAME_RANGE_SHARE: f64 = 0.02;

/// Share of the doubt of a foot that differs from picture to picture: what is wrong with
/// all of them alike, no track can even out.
const DOUBT_BY_PICTURE: f64 = 0.5;

/// The path is this much wider than the vehicle to each side.
const BESIDE_PATH_M: f64 = 0.15;

/// Turns blobs into contacts on the ground.
#[derive(Debug, Clone)]
pub struct Ranger {
    ground: Ground,
    watch: WatchArea,
    pixel_sd: f64,
    min_area_cm2: f64,
    min_height_m: f64,
    half_path_m: f64,
}

impl Ranger {
    /// A ranger for one profile.
    pub fn new(profile: &Profile) -> Self {
        Ranger {
            ground: profile.ground(),
            watch: profile.watch,
            pixel_sd: profile.segment.contact_sd_px,
            min_area_cm2: profile.segment.min_area_cm2,
            min_height_m: profile.segment.min_height.0,
            half_path_m: profile.vehicle.width.0 / 2.0 + BESIDE_PATH_M,
        }
    }

    /// The contact of a blob; `None` if it is too small or outside the watch
    /// area.
    pub fn step(&self, blob: &Blob) -> Option<Contact> {
        let line: Vec<(PixelPoint, GroundPoint, f64)> = blob
            .contact
            .iter()
            .zip(&blob.top)
            .filter_map(|(&foot, &top)| {
                let g = self.ground.to_ground(foot)?;
                Some((foot, g, self.height_over(g, top)))
            })
            .collect();
        let (height_m, area_cm2) = self.silhouette(&line);
        if area_cm2 < self.min_area_cm2 || height_m < self.min_height_m {
            return None;
        }
        // A lone column that sticks out is noise: each is held to the middle
        // of itself and its neighbours.
        let smooth = |i: usize| -> f64 {
            let at = |j: usize| line[j].1.behind_m;
            if line.len() < 3 {
                return at(i);
            }
            let i = i.clamp(1, line.len() - 2);
            let mut three = [at(i - 1), at(i), at(i + 1)];
            three.sort_by(f64::total_cmp);
            three[1]
        };
        // Of a long thing what counts is where the vehicle would meet it.
        let met = |i: &usize| line[*i].1.side_m.abs() <= self.half_path_m;
        let any = (0..line.len()).any(|i| met(&i));
        let counts = || (0..line.len()).filter(|i| !any || met(i));
        let behind = counts().map(smooth).min_by(f64::total_cmp)?;
        // A broad thing is about as near over its whole width: of the places
        // that are, the one nearest to the vehicle's path is told.
        let near_index = counts()
            .filter(|&i| smooth(i) <= behind + SAME_RANGE_M + SAME_RANGE_SHARE * behind)
            .min_by(|&a, &b| {
                let off = |i: usize| line[i].1.side_m.abs();
                off(a).total_cmp(&off(b))
            })?;
        let (pixel, place, _) = line[near_index];
        let side = line.iter().fold((f64::MAX, f64::MIN), |s, l| {
            (s.0.min(l.1.side_m), s.1.max(l.1.side_m))
        });
        if behind > self.watch.far.0
            || side.0 > self.watch.half_width.0
            || side.1 < -self.watch.half_width.0
        {
            return None;
        }
        let from_camera = (behind - self.ground.camera_position().x).max(0.0);
        let sigma_m = self
            .ground
            .behind_sd_m(pixel, self.pixel_sd)?
            .hypot(DOUBT_BY_PICTURE * blob.doubt * from_camera);
        Some(Contact {
            nearest: GroundPoint {
                behind_m: behind.max(0.0),
                side_m: place.side_m,
            },
            sigma_m,
            side_extent_m: side,
            height_m,
            probability: blob.probability,
            line: line.iter().map(|l| l.0).collect(),
            places: line.iter().map(|l| l.1).collect(),
        })
    }

    /// Height over the ground of what `top` shows, if it stands at `foot`; what rises out of all that
    /// the lens shows counts as no lower than the camera.
    fn height_over(&self, foot: GroundPoint, top: PixelPoint) -> f64 {
        let camera = self.ground.camera_position();
        let level = (foot.behind_m - camera.x).hypot(foot.side_m - camera.y);
        match self.ground.ray(top) {
            Some(ray) => (camera.z + level * ray.z / ray.x.hypot(ray.y).max(1e-6)).max(0.0),
            None => camera.z,
        }
    }

    /// Height, m, that a tenth of the columns exceed, and silhouette area, cm².
    fn silhouette(&self, line: &[(PixelPoint, GroundPoint, f64)]) -> (f64, f64) {
        if line.is_empty() {
            return (0.0, 0.0);
        }
        let camera = self.ground.camera_position();
        let mut heights: Vec<f64> = line.iter().map(|l| l.2).collect();
        let mut area = 0.0;
        let bearing = |g: &GroundPoint| (g.side_m - camera.y).atan2(g.behind_m - camera.x);
        for (i, (_, g, height)) in line.iter().enumerate() {
            let other = &line[if i + 1 < line.len() {
                i + 1
            } else {
                i.max(1) - 1
            }]
            .1;
            let angle = if line.len() > 1 {
                (bearing(g) - bearing(other)).abs()
            } else {
                0.0
            };
            let level = (g.behind_m - camera.x).hypot(g.side_m - camera.y);
            area += level * angle * height;
        }
        heights.sort_by(f64::total_cmp);
        let n = heights.len();
        (heights[n - 1 - n / 10], area * 1e4)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is in doubt of a foot is added to what the pixels do, as variances.
    #[test]
    fn doubt_widens_the_range() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let profile = Profile::load(path.as_ref()).expect("example profile");
        let ranger = Ranger::new(&profile);
        let ground = profile.ground();
        let pixel = |behind_m: f64, side_m: f64, up_m: f64| {
            let point = nalgebra::Vector3::new(behind_m, side_m, up_m);
            ground.point_to_pixel(&point).expect("in view")
        };
        let sides = [-0.2, -0.1, 0.0, 0.1, 0.2];
        let contact = |doubt: f64| {
            let blob = Blob {
                contact: sides.map(|side| pixel(2.0, side, 0.0)).to_vec(),
                top: sides.map(|side| pixel(2.0, side, 0.8)).to_vec(),
                probability: 0.9,
                doubt,
            };
            ranger.step(&blob).expect("large enough")
        };
        let (sure, unsure) = (contact(0.0), contact(0.2));
        assert!((sure.nearest.behind_m - 2.0).abs() < 0.01);
        assert_eq!(sure.nearest, unsure.nearest);
        let from_camera = 2.0 - ground.camera_position().x;
        let more = (unsure.sigma_m.powi(2) - sure.sigma_m.powi(2)).sqrt();
        let expected = DOUBT_BY_PICTURE * 0.2 * from_camera;
        assert!((more - expected).abs() < 0.01, "{more}, not {expected}");
    }

    #[test]
    fn a_top_that_the_lens_does_not_show_is_not_low() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        let profile = Profile::load(path.as_ref()).expect("example profile");
        let ranger = Ranger::new(&profile);
        let camera = profile.ground().camera_position();
        let foot = GroundPoint {
            behind_m: 1.0,
            side_m: 0.0,
        };
        let nowhere = PixelPoint {
            u: f64::NAN,
            v: f64::NAN,
        };
        assert_eq!(ranger.height_over(foot, nowhere), camera.z);
    }
}
