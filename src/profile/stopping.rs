//! Stopping room: v·t + v²/(2a), on level ground.

use std::time::Duration;

use crate::profile::Vehicle;
use crate::units::{Metres, MetresPerSecond};

/// What a vehicle and its driver need to stop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stopping {
    /// From the warning to the foot on the brake.
    pub reaction: Duration,
    /// Braking, m/s²; above zero.
    pub deceleration_mps2: f64,
}

impl Stopping {
    /// The values of a profile.
    pub fn of(vehicle: &Vehicle) -> Stopping {
        Stopping {
            reaction: vehicle.reaction,
            deceleration_mps2: vehicle.deceleration_mps2,
        }
    }

    /// Way travelled until the brake acts.
    pub fn reaction_room(&self, speed: MetresPerSecond) -> Metres {
        Metres(speed.0 * self.reaction.as_secs_f64())
    }

    /// Way travelled while braking.
    pub fn braking_room(&self, speed: MetresPerSecond) -> Metres {
        Metres(speed.0 * speed.0 / (2.0 * self.deceleration_mps2))
    }

    /// Way travelled from the warning to standstill.
    ///
    /// ```
    /// # use std::time::Duration;
    /// # use hindward::{profile::Stopping, units::MetresPerSecond};
    /// let driver = Stopping { reaction: Duration::from_millis(1500), deceleration_mps2: 3.4 };
    /// let room = driver.room(MetresPerSecond::from_kmh(5.0));
    /// assert_eq!(room.to_string(), "2.37 m");
    /// ```
    pub fn room(&self, speed: MetresPerSecond) -> Metres {
        Metres(self.reaction_room(speed).0 + self.braking_room(speed).0)
    }

    /// The fastest that can still stop within `room`: the positive root of
    /// v²/(2a) + v·t − room.
    pub fn speed_for(&self, room: Metres) -> MetresPerSecond {
        let at = self.deceleration_mps2 * self.reaction.as_secs_f64();
        let under = at * at + 2.0 * self.deceleration_mps2 * room.0.max(0.0);
        MetresPerSecond(under.sqrt() - at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stopping(reaction_s: f64, deceleration_mps2: f64) -> Stopping {
        Stopping {
            reaction: Duration::from_secs_f64(reaction_s),
            deceleration_mps2,
        }
    }

    /// UK Highway Code, rule 126 (metres: thinking, overall at 20 to 70 mph),
    /// as quoted by ken-neal.co.uk. 0.671 s is 6 m at 20 mph, 6.66 m/s² its
    /// braking in 6 m; the code rounds to whole metres and at high speed brakes
    /// a little less hard, hence half a metre or 2 %.
    #[test]
    fn agrees_with_the_highway_code() {
        let driver = stopping(0.671, 6.66);
        let rows = [
            (20.0, 6.0, 12.0),
            (30.0, 9.0, 23.0),
            (40.0, 12.0, 36.0),
            (50.0, 15.0, 53.0),
            (60.0, 18.0, 73.0),
            (70.0, 21.0, 96.0),
        ];
        for (mph, thinking, overall) in rows {
            let speed = MetresPerSecond(mph * 0.44704);
            assert!((driver.reaction_room(speed).0 - thinking).abs() < 0.05);
            let room = driver.room(speed).0;
            let slack = f64::max(0.5, 0.02 * overall);
            assert!((room - overall).abs() <= slack, "{mph} mph: {room} m");
        }
    }

    /// AASHTO stopping sight distance, t = 2.5 s and a = 3.4 m/s² (as quoted by
    /// reviewcivilpe.com): the values are the formula's own; the design table
    /// rounds them up to 20, 35, 50, 65 m (from memory).
    #[test]
    fn agrees_with_aashto() {
        let driver = stopping(2.5, 3.4);
        let rows = [
            (20.0, 18.4, 20.0),
            (30.0, 31.0, 35.0),
            (40.0, 45.9, 50.0),
            (50.0, 63.1, 65.0),
        ];
        for (kmh, value, table) in rows {
            let room = driver.room(MetresPerSecond::from_kmh(kmh)).0;
            assert!((room - value).abs() < 0.06, "{kmh} km/h: {room} m");
            assert_eq!((room / 5.0).ceil() * 5.0, table);
        }
    }

    /// Reversing speeds worked out by hand with the constants of the two tests
    /// above and with 1.5 s; 4.828 km/h (3 mph) is the average that Huey,
    /// Harpster and Lerner observed (DOT HS 808 532, 1995).
    #[test]
    #[allow(clippy::approx_constant)] // 6.28 m is a distance here
    fn agrees_at_reversing_speeds() {
        let rows = [
            (3.0, 0.61, 1.35, 2.19),
            (4.828, 1.03, 2.28, 3.62),
            (5.0, 1.08, 2.37, 3.76),
            (8.0, 1.86, 4.06, 6.28),
            (10.0, 2.44, 5.30, 8.08),
            (15.0, 4.10, 8.80, 12.97),
        ];
        for (kmh, a, b, c) in rows {
            let speed = MetresPerSecond::from_kmh(kmh);
            for (driver, value) in [
                (stopping(0.671, 6.66), a),
                (stopping(1.5, 3.4), b),
                (stopping(2.5, 3.4), c),
            ] {
                let room = driver.room(speed);
                assert!((room.0 - value).abs() < 0.006, "{kmh} km/h: {room}");
                assert!((driver.speed_for(room).0 - speed.0).abs() < 1e-9);
            }
        }
        assert_eq!(stopping(1.5, 3.4).speed_for(Metres(-1.0)).0, 0.0);
    }
}
