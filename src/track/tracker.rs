//! Kalman tracks in ground coordinates.
//!
//! State (behind, side, and their speeds) relative to the vehicle, constant
//! velocity with white acceleration noise (Y. Bar-Shalom, X. R. Li, T.
//! Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001,
//! section 6.2.2). A new track starts with the speed that a standing thing has
//! under the vehicle's own motion, so closing speed is about right at once; and
//! where the vehicle brakes or turns, every track's speed changes along with it.

use std::time::Duration;

use nalgebra::{Matrix2, Matrix2x4, Matrix4, Vector2, Vector4};

use crate::optics::GroundPoint;
use crate::profile::TrackSettings;

use super::{Contact, Obstacle};

/// White acceleration noise, m/s² per √Hz: a walker starts and stops.
const ACCELERATION: f64 = 1.2;
/// Uncertainty of a new track's speed, m/s.
const SPEED_SD: f64 = 0.8;
/// Sideways noise of the nearest point, metres: on a broad thing it jumps.
const SIDE_SD: f64 = 0.15;
/// Floor of the range noise used in the filter, metres.
const LEAST_SD: f64 = 0.02;
/// A contact farther off than so many deviations counts for less: where a thing
/// begins jumps now and then, and that is no speed.
const LEAP: f64 = 2.0;
/// A thing out of sight is taken to stop within about this time, seconds: what a
/// jump looked like would else run on into the bumper.
const STOPS: f64 = 0.12;
/// Speeds below this do not make a time to contact, m/s.
const CLOSING: f64 = 0.05;
/// Two tracks on one thing are one if they stay this close, metres.
const SAME: f64 = 0.25;

/// The vehicle's own motion as the tracker needs it.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct OwnMotion {
    /// Rearward speed, m/s.
    pub speed_mps: f64,
    /// Turn rate toward the vehicle's right, rad/s.
    pub yaw_rate_rps: f64,
    /// Whether the picture gave it; otherwise zeros.
    pub known: bool,
}

impl OwnMotion {
    /// Velocity (behind, side) that a standing thing at `behind_m`, `side_m` has
    /// seen from the vehicle: it comes nearer and swings against the turn.
    fn of_standing(&self, behind_m: f64, side_m: f64) -> Vector2<f64> {
        Vector2::new(
            self.yaw_rate_rps * side_m - self.speed_mps,
            -self.yaw_rate_rps * behind_m,
        )
    }
}

#[derive(Debug, Clone)]
struct Track {
    id: Option<u32>,
    state: Vector4<f64>,
    covariance: Matrix4<f64>,
    /// Bit 0 is the newest frame.
    hits: u32,
    born: Duration,
    last_seen: Duration,
    last_sure: Duration,
    /// Log-odds that it stands, averaged over the last pictures; none before the first.
    belief: f64,
    seen: bool,
    side_extent_m: (f64, f64),
    height_m: f64,
    line: Vec<crate::optics::PixelPoint>,
    /// Where it meets the ground, when last seen.
    places: Vec<GroundPoint>,
}

/// Contacts in, obstacles out.
#[derive(Debug, Clone)]
pub struct Tracker {
    settings: TrackSettings,
    enter_probability: f64,
    tracks: Vec<Track>,
    next_id: u32,
    own: OwnMotion,
    last: Option<Duration>,
}

/// What is not looked at is taken to come nearer for no longer than this: a picture that does not
/// change shows no motion.
const MOVES_ON: Duration = Duration::from_millis(500);
/// What pictures say is averaged over about this time, seconds: those that follow one another
/// closely see much the same, so what is less sure takes longer to be believed.
const BELIEF_S: f64 = 0.5;
/// Log-odds beyond which a single picture is not believed.
const MOST_SURE: f64 = 4.5;
/// Pictures together need not be surer than this: their average would not come to it in time.
const ENOUGH: f64 = 3.0;
/// Contacts that are not sure keep a track for so many times as long as none.
const UNSURE_COASTS: u32 = 3;

impl Tracker {
    /// A tracker without tracks. Contacts below `enter_probability` keep a
    /// track alive for a while but do not confirm one, and pictures must come to be that sure
    /// together.
    pub fn new(settings: TrackSettings, enter_probability: f64) -> Self {
        Tracker {
            settings,
            enter_probability,
            tracks: Vec::new(),
            next_id: 1,
            own: OwnMotion::default(),
            last: None,
        }
    }

    /// Takes the contacts of a frame judged at `now`; gives all confirmed
    /// obstacles, nearest first.
    pub fn step(&mut self, contacts: &[Contact], own: OwnMotion, now: Duration) -> Vec<Obstacle> {
        let dt = self
            .last
            .map_or(0.0, |l| now.saturating_sub(l).as_secs_f64());
        self.last = Some(now);
        let known = own.known && self.own.known;
        for track in &mut self.tracks {
            track.predict(dt, known.then_some((self.own, own)));
        }
        self.own = own;
        self.associate(contacts, own, now, 1.0 - (-dt / BELIEF_S).exp());
        let settings = self.settings;
        self.tracks.retain(|t| {
            let lost = now.saturating_sub(t.last_seen);
            let unsure = now.saturating_sub(t.last_sure);
            // What was followed for a short while is expected for no longer.
            let followed = t.last_seen.saturating_sub(t.born);
            if t.id.is_some() {
                lost <= settings.coast.min(followed) && unsure <= settings.coast * UNSURE_COASTS
            } else {
                t.hits & window_mask(settings.confirm_window) != 0
            }
        });
        self.merge();
        let believed = believed_from(self.enter_probability);
        for track in &mut self.tracks {
            let hits = (track.hits & window_mask(settings.confirm_window)).count_ones();
            let sure = hits >= settings.confirm_hits && track.belief >= believed;
            if track.id.is_none() && sure {
                track.id = Some(self.next_id);
                self.next_id += 1;
            }
        }
        self.expect(now)
    }

    /// All confirmed obstacles, nearest first, where they must be at `now`, if no later picture
    /// than the last was looked at. They may come nearer unseen, but not leave.
    pub fn expect(&self, now: Duration) -> Vec<Obstacle> {
        let since = self.last.map_or(Duration::ZERO, |l| now.saturating_sub(l));
        let since = since.min(MOVES_ON).as_secs_f64();
        let expected = |t: &Track| {
            let (along, across) = (t.state[2], t.state[3]);
            let mut ahead = t.clone();
            ahead.state[2] = along.min(0.0);
            if across * t.state[1] > 0.0 {
                ahead.state[3] = 0.0;
            }
            ahead.predict(since, None);
            (ahead.state[2], ahead.state[3]) = (along, across);
            ahead.obstacle(now)
        };
        let mut obstacles: Vec<Obstacle> = self.tracks.iter().filter_map(expected).collect();
        obstacles.sort_by(|a, b| a.nearest.behind_m.total_cmp(&b.nearest.behind_m));
        obstacles
    }

    /// Gives contacts to tracks, nearest pairs first, each contact and each track once. `share`
    /// is how much of what is believed the new picture says.
    fn associate(&mut self, contacts: &[Contact], own: OwnMotion, now: Duration, share: f64) {
        let mut pairs = Vec::new();
        for (i, t) in self.tracks.iter().enumerate() {
            for (j, c) in contacts.iter().enumerate() {
                let d = t.distance(c);
                // The gate opens with the time out of sight.
                let lost = now.saturating_sub(t.last_seen).as_secs_f64();
                if d <= self.settings.gate.0 * (1.0 + lost) {
                    pairs.push((d, i, j));
                }
            }
        }
        pairs.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut track_used = vec![false; self.tracks.len()];
        let mut contact_used = vec![false; contacts.len()];
        for (_, i, j) in pairs {
            if track_used[i] || contact_used[j] {
                continue;
            }
            track_used[i] = true;
            contact_used[j] = true;
            let sure = contacts[j].probability >= self.enter_probability;
            self.tracks[i].update(&contacts[j], sure, now);
            self.tracks[i].believe(log_odds(contacts[j].probability), share);
        }
        for (t, used) in self.tracks.iter_mut().zip(&track_used) {
            if !used {
                t.hits <<= 1;
                t.seen = false;
                t.believe(-MOST_SURE, share);
            }
        }
        for (c, used) in contacts.iter().zip(&contact_used) {
            if !used && c.probability >= self.enter_probability {
                let mut track = Track::new(c, own, now);
                track.believe(log_odds(c.probability), share);
                self.tracks.push(track);
            }
        }
    }

    /// A thing that was seen in two pieces for a while, or is now told by another of its places,
    /// keeps the older id.
    fn merge(&mut self) {
        let believed = believed_from(self.enter_probability);
        let mut i = 0;
        while i < self.tracks.len() {
            let mut j = i + 1;
            while j < self.tracks.len() {
                let (a, b) = (&self.tracks[i], &self.tracks[j]);
                if (!a.seen || !b.seen) && a.apart(b, believed) < SAME {
                    let keep_first = match (a.id, b.id) {
                        (Some(x), Some(y)) => x < y,
                        (Some(_), None) => true,
                        (None, Some(_)) => false,
                        (None, None) => a.born <= b.born,
                    };
                    let (winner, loser) = if keep_first { (i, j) } else { (j, i) };
                    if !self.tracks[winner].seen {
                        let id = self.tracks[winner].id;
                        let born = self.tracks[winner].born;
                        self.tracks[winner] = self.tracks[loser].clone();
                        self.tracks[winner].id = id.or(self.tracks[loser].id);
                        self.tracks[winner].born = born;
                    }
                    self.tracks.remove(loser);
                    if loser == i {
                        break;
                    }
                    continue;
                }
                j += 1;
            }
            i += 1;
        }
    }
}

/// Log-odds that pictures together must come to.
fn believed_from(enter_probability: f64) -> f64 {
    log_odds(enter_probability).min(ENOUGH)
}

/// Seconds in which pictures come to be believed at best, however many they are.
pub fn believed_after_s(enter_probability: f64) -> f64 {
    -BELIEF_S * (1.0 - believed_from(enter_probability) / MOST_SURE).ln()
}

fn log_odds(probability: f64) -> f64 {
    // A sum of shares may be more than one by a rounding error, and its odds no number.
    let probability = probability.clamp(0.0, 1.0);
    let odds = (probability / (1.0 - probability)).ln();
    odds.clamp(-MOST_SURE, MOST_SURE)
}

fn window_mask(frames: u32) -> u32 {
    if frames >= 32 {
        u32::MAX
    } else {
        (1 << frames) - 1
    }
}

impl Track {
    fn new(c: &Contact, own: OwnMotion, now: Duration) -> Self {
        let sd = c.sigma_m.max(LEAST_SD);
        let g = c.nearest;
        let speed = own.of_standing(g.behind_m, g.side_m);
        let state = Vector4::new(g.behind_m, g.side_m, speed.x, speed.y);
        Track {
            id: None,
            state,
            covariance: Matrix4::from_diagonal(&Vector4::new(
                sd * sd,
                SIDE_SD * SIDE_SD,
                SPEED_SD * SPEED_SD,
                SPEED_SD * SPEED_SD,
            )),
            hits: 1,
            born: now,
            last_seen: now,
            last_sure: now,
            belief: 0.0,
            seen: true,
            side_extent_m: c.side_extent_m,
            height_m: c.height_m,
            line: c.line.clone(),
            places: c.places.clone(),
        }
    }

    /// Moves the track on by `dt` seconds; `own` is how the vehicle moved before
    /// that and moves after it, if both are known.
    fn predict(&mut self, dt: f64, own: Option<(OwnMotion, OwnMotion)>) {
        let mut f = Matrix4::identity();
        f[(0, 2)] = dt;
        f[(1, 3)] = dt;
        let before = self.state;
        self.state = f * before;
        if let Some((old, _)) = own.filter(|_| !self.seen) {
            let standing = old.of_standing(before[0], before[1]);
            let left = (-dt / STOPS).exp();
            self.state[2] = standing.x + left * (self.state[2] - standing.x);
            self.state[3] = standing.y + left * (self.state[3] - standing.y);
        }
        if let Some((old, new)) = own {
            let change = new.of_standing(self.state[0], self.state[1])
                - old.of_standing(before[0], before[1]);
            // The vehicle's mean speed between the two is what moved it.
            self.state +=
                Vector4::new(0.5 * dt * change.x, 0.5 * dt * change.y, change.x, change.y);
        }
        let q = ACCELERATION * ACCELERATION;
        let (a, b, c) = (dt * dt * dt / 3.0 * q, dt * dt / 2.0 * q, dt * q);
        let noise = Matrix4::new(
            a, 0.0, b, 0.0, //
            0.0, a, 0.0, b, //
            b, 0.0, c, 0.0, //
            0.0, b, 0.0, c,
        );
        self.covariance = f * self.covariance * f.transpose() + noise;
        let shift = self.state[3] * dt;
        self.side_extent_m.0 += shift;
        self.side_extent_m.1 += shift;
    }

    /// Takes in what a picture says, as log-odds.
    fn believe(&mut self, said: f64, share: f64) {
        self.belief += share * (said - self.belief);
    }

    /// Distance on the ground from the track to a contact; sideways only what
    /// lies outside the contact's extent counts.
    fn distance(&self, c: &Contact) -> f64 {
        let along = self.state[0] - c.nearest.behind_m;
        let gap = (c.side_extent_m.0 - self.side_extent_m.1)
            .max(self.side_extent_m.0 - c.side_extent_m.1)
            .max(0.0);
        along.hypot(gap)
    }

    fn update(&mut self, c: &Contact, sure: bool, now: Duration) {
        let h = Matrix2x4::new(
            1.0, 0.0, 0.0, 0.0, //
            0.0, 1.0, 0.0, 0.0,
        );
        let sd = c.sigma_m.max(LEAST_SD);
        let noise = Matrix2::new(sd * sd, 0.0, 0.0, SIDE_SD * SIDE_SD);
        let seen = Vector2::new(c.nearest.behind_m, c.nearest.side_m);
        let innovation = seen - h * self.state;
        let spread = h * self.covariance * h.transpose();
        let leap = (innovation[0].abs() / (spread[(0, 0)] + noise[(0, 0)]).sqrt() / LEAP).max(1.0);
        let s = spread + noise * (leap * leap);
        if let Some(inverse) = s.try_inverse() {
            let gain = self.covariance * h.transpose() * inverse;
            self.state += gain * innovation;
            self.covariance = (Matrix4::identity() - gain * h) * self.covariance;
        }
        self.hits = (self.hits << 1) | u32::from(sure);
        self.seen = true;
        self.last_seen = now;
        if sure {
            self.last_sure = now;
        }
        self.side_extent_m = c.side_extent_m;
        self.height_m += 0.3 * (c.height_m - self.height_m);
        self.line.clone_from(&c.line);
        self.places.clone_from(&c.places);
    }

    /// How far off another track is, metres: from anywhere on what is seen, if that is `believed`,
    /// to the nearest point of what is not. What leaves the path sideways is told by another of its
    /// places, and has not stayed behind at the one before.
    fn apart(&self, other: &Track, believed: f64) -> f64 {
        let (seen, hidden) = if self.seen {
            (self, other)
        } else {
            (other, self)
        };
        let point = hidden.state.xy();
        let off = |g: &GroundPoint| (g.behind_m - point.x).hypot(g.side_m - point.y);
        let on_it = seen.seen && !hidden.seen && seen.belief >= believed;
        let places = seen.places.iter().filter(|_| on_it);
        places
            .map(off)
            .fold((seen.state.xy() - point).norm(), f64::min)
    }

    fn obstacle(&self, now: Duration) -> Option<Obstacle> {
        let behind_m = self.state[0].max(0.0);
        let closing = -self.state[2];
        Some(Obstacle {
            id: self.id?,
            nearest: GroundPoint {
                behind_m,
                side_m: self.state[1],
            },
            sigma_m: self.covariance[(0, 0)].max(0.0).sqrt(),
            side_extent_m: self.side_extent_m,
            height_m: self.height_m,
            behind_mps: self.state[2],
            side_mps: self.state[3],
            time_to_contact: (closing > CLOSING)
                .then(|| Duration::try_from_secs_f64(behind_m / closing).ok())
                .flatten(),
            age: now.saturating_sub(self.born),
            seen: self.seen,
            line: self.line.clone(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Metres;

    fn tracker() -> Tracker {
        let settings = TrackSettings {
            confirm_hits: 3,
            confirm_window: 5,
            coast: Duration::from_millis(500),
            gate: Metres(0.6),
        };
        Tracker::new(settings, 0.6)
    }

    fn contact(behind_m: f64, side_m: f64) -> Contact {
        Contact {
            nearest: GroundPoint { behind_m, side_m },
            sigma_m: 0.03,
            side_extent_m: (side_m - 0.2, side_m + 0.2),
            height_m: 1.0,
            probability: 0.98,
            line: Vec::new(),
            places: vec![GroundPoint { behind_m, side_m }],
        }
    }

    fn at(frame: u32) -> Duration {
        Duration::from_secs_f64(f64::from(frame) / 15.0)
    }

    #[test]
    fn confirmed_only_after_enough_hits_in_the_window() {
        let mut t = tracker();
        let own = OwnMotion::default();
        assert!(t.step(&[contact(2.0, 0.0)], own, at(0)).is_empty());
        assert!(t.step(&[], own, at(1)).is_empty());
        assert!(t.step(&[contact(2.0, 0.0)], own, at(2)).is_empty());
        assert_eq!(t.step(&[contact(2.0, 0.0)], own, at(3)).len(), 1);
    }

    /// At constant speed, as it was last seen to move, for a while.
    #[test]
    fn what_is_not_looked_at_is_expected_where_it_must_be() {
        let mut t = tracker();
        let own = OwnMotion {
            speed_mps: 0.6,
            known: true,
            ..OwnMotion::default()
        };
        let place = |f: u32| 3.0 - 0.6 * at(f).as_secs_f64();
        let mut told = Vec::new();
        for f in (0..=20).step_by(2) {
            told = t.step(&[contact(place(f), 0.0)], own, at(f));
        }
        let expected = t.expect(at(21));
        let (last, next) = (&told[0], &expected[0]);
        assert!((last.nearest.behind_m - place(20)).abs() < 0.01);
        assert!((next.nearest.behind_m - place(21)).abs() < 0.01);
        assert_eq!((last.id, true), (next.id, next.seen));
        assert!(next.sigma_m > last.sigma_m);
        // Nothing is changed by asking.
        assert_eq!(t.expect(at(20)), told);
        // However long the picture stays the same, it does not go away.
        for seconds in [1, 60] {
            let later = t.expect(at(20) + Duration::from_secs(seconds));
            assert!((later[0].nearest.behind_m - place(20) + 0.6 * 0.5).abs() < 0.02);
        }
    }

    /// Whoever walks away, backward or out of the path, is gone when that is seen, not before.
    #[test]
    fn nothing_leaves_unseen() {
        for (back, aside) in [(1.0, 0.0), (0.0, 1.0), (0.0, -1.0)] {
            let mut t = tracker();
            let place = |f: u32| {
                let s = at(f).as_secs_f64();
                contact(2.0 + back * s, aside * (0.3 + s))
            };
            let mut told = Vec::new();
            for f in (0..=20).step_by(2) {
                told = t.step(&[place(f)], OwnMotion::default(), at(f));
            }
            assert!((told[0].behind_mps - back).abs() < 0.1, "{told:?}");
            let later = t.expect(at(26));
            assert_eq!(later[0].nearest, told[0].nearest);
            assert_eq!(later[0].side_extent_m, told[0].side_extent_m);
            assert_eq!(later[0].side_mps, told[0].side_mps);
        }
    }

    /// Shares that are summed up in single precision may come to more than one.
    #[test]
    fn what_is_as_sure_as_can_be_is_told() {
        for probability in [1.0, 1.0 + 1e-7] {
            let mut t = tracker();
            let sure = [Contact {
                probability,
                ..contact(2.0, 0.0)
            }];
            let told = (0..15).map(|f| t.step(&sure, OwnMotion::default(), at(f)).len());
            assert_eq!(told.last(), Some(1), "{probability}");
        }
    }

    /// By the rule of the exponential average: told once 0.5 s · -ln(1 - wanted / said) have
    /// passed, both as log-odds, however many pictures that are.
    #[test]
    fn what_is_less_sure_takes_longer_to_be_told() {
        let odds = |p: f64| (p / (1.0 - p)).ln();
        for rate_hz in [15.0, 30.0] {
            for probability in [0.65, 0.8, 0.98] {
                let mut t = tracker();
                let contact = Contact {
                    probability,
                    ..contact(2.0, 0.0)
                };
                let at = |f: u32| Duration::from_secs_f64(f64::from(f) / rate_hz);
                let own = OwnMotion::default();
                let told = (0..100)
                    .find(|&f| {
                        !t.step(std::slice::from_ref(&contact), own, at(f))
                            .is_empty()
                    })
                    .map(f64::from);
                let due_s = -0.5 * (1.0 - odds(0.6) / odds(probability)).ln();
                // No less than the three pictures that it must be seen in.
                let due = (due_s * rate_hz).ceil().max(2.0);
                assert_eq!(told, Some(due), "{probability} at {rate_hz} Hz");
            }
        }
    }

    /// The greatest `enter_probability` that a profile may have.
    #[test]
    fn what_is_surely_there_is_told_within_a_second_whatever_is_asked() {
        let mut t = tracker();
        t.enter_probability = 0.999;
        let contact = Contact {
            probability: 0.9995,
            ..contact(2.0, 0.0)
        };
        let own = OwnMotion::default();
        let told = (0..15).find(|&f| {
            !t.step(std::slice::from_ref(&contact), own, at(f))
                .is_empty()
        });
        let due = (believed_after_s(0.999) * 15.0).ceil() as u32;
        assert_eq!(told, Some(due));
    }

    #[test]
    fn what_was_followed_for_a_short_while_is_expected_for_no_longer() {
        for (followed, most) in [(4, 3), (6, 5), (30, 7)] {
            let mut t = tracker();
            let own = OwnMotion::default();
            for f in 0..followed {
                t.step(&[contact(2.0, 0.0)], own, at(f));
            }
            let told = (followed..60).map(|f| !t.step(&[], own, at(f)).is_empty());
            let frames = told.take_while(|&yes| yes).count();
            assert!(frames == most || frames + 1 == most, "{followed}: {frames}");
        }
    }

    #[test]
    fn contacts_that_are_never_sure_do_not_keep_a_track_for_ever() {
        let mut t = tracker();
        let own = OwnMotion::default();
        for f in 0..4 {
            t.step(&[contact(2.0, 0.0)], own, at(f));
        }
        let unsure = Contact {
            probability: 0.4,
            ..contact(2.0, 0.0)
        };
        // Three times the half second of coasting, at 15 frames a second.
        let told = (4..60).map(|f| !t.step(std::slice::from_ref(&unsure), own, at(f)).is_empty());
        let lasted = told.take_while(|&yes| yes).count();
        assert!((20..=24).contains(&lasted), "{lasted} frames");
    }

    #[test]
    fn closing_speed_within_the_bar_after_one_second() {
        let mut t = tracker();
        let mut seen = Vec::new();
        for frame in 0..16 {
            let behind = 3.0 - 1.2 * f64::from(frame) / 15.0;
            // A row's worth of alternating noise.
            let noise = if frame % 2 == 0 { 0.02 } else { -0.02 };
            seen = t.step(
                &[contact(behind + noise, 0.1)],
                OwnMotion::default(),
                at(frame),
            );
        }
        let o = &seen[0];
        assert!((o.behind_mps + 1.2).abs() < 0.15, "{}", o.behind_mps);
        let ttc = o.time_to_contact.map_or(0.0, |d| d.as_secs_f64());
        assert!((ttc - 1.8 / 1.2).abs() < 0.25, "{ttc}");
    }

    #[test]
    fn a_track_out_of_sight_stops_coming_when_the_vehicle_stops() {
        let mut t = tracker();
        let mut behind = 3.0;
        let mut told = Vec::new();
        for frame in 0..21 {
            // Braked from 1.2 m/s to rest while the thing is out of sight.
            let speed = if frame < 15 { 1.2 } else { 0.0 };
            behind -= speed / 15.0;
            let seen = contact(behind, 0.1);
            let seen = if frame < 15 { vec![seen] } else { Vec::new() };
            let own = OwnMotion {
                speed_mps: speed,
                yaw_rate_rps: 0.0,
                known: true,
            };
            told = t.step(&seen, own, at(frame));
        }
        let o = &told[0];
        assert!((o.nearest.behind_m - behind).abs() < 0.06, "{o:?}");
        assert!(o.behind_mps.abs() < 0.1, "{o:?}");
    }

    /// A gate that swings out of the path: its far end is told while it is in the path, then its
    /// near end beside it.
    #[test]
    fn what_is_told_by_another_of_its_places_does_not_stay_behind_as_well() {
        let mut t = tracker();
        let own = OwnMotion::default();
        let places: Vec<GroundPoint> = (0..=20)
            .map(|i| f64::from(i) / 20.0)
            .map(|part| GroundPoint {
                behind_m: 2.2 - 1.0 * part,
                side_m: -0.9 - 0.8 * part,
            })
            .collect();
        let told_by = |nearest: GroundPoint| Contact {
            nearest,
            side_extent_m: (-1.7, -0.9),
            places: places.clone(),
            ..contact(nearest.behind_m, nearest.side_m)
        };
        let (far, near) = (places[0], places[20]);
        let mut id = None;
        for f in 0..10 {
            id = t.step(&[told_by(far)], own, at(f)).first().map(|o| o.id);
        }
        assert!(id.is_some());
        for f in 10..20 {
            let told = t.step(&[told_by(near)], own, at(f));
            let said: Vec<_> = told.iter().map(|o| (Some(o.id), o.seen)).collect();
            assert_eq!(said, [(id, true)], "frame {f}");
            assert!((told[0].nearest.behind_m - near.behind_m).abs() < 0.05);
        }
        // What stands elsewhere is another thing, and the first is expected for a while.
        let other = contact(1.2, 1.0);
        let told = t.step(&[other], own, at(20));
        assert!(told.iter().any(|o| Some(o.id) == id && !o.seen));
    }

    #[test]
    fn id_survives_half_a_second_out_of_sight() {
        let mut t = tracker();
        let own = OwnMotion::default();
        let walk = |f: u32| contact(2.0, -1.0 + 1.2 * f64::from(f) / 15.0);
        let mut first = None;
        for f in 0..10 {
            first = t.step(&[walk(f)], own, at(f)).first().map(|o| o.id);
        }
        for f in 10..16 {
            let o = t.step(&[], own, at(f));
            assert_eq!(o.first().map(|o| (o.id, o.seen)), first.map(|i| (i, false)));
        }
        let back = t.step(&[walk(16)], own, at(16));
        assert_eq!(back.first().map(|o| o.id), first);
    }
}
