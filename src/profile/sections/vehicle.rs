//! `[vehicle]`: the vehicle's own measures and the driver's habits.

use std::time::Duration;

use crate::profile::reader::Table;
use crate::profile::Vehicle;
use crate::units::{Metres, MetresPerSecond};

pub(super) const ADVICE: &str =
    "add it with width_m, reverse_speed_kmh, reaction_s, deceleration_mps2";

pub(super) fn read(t: &mut Table) -> Option<Vehicle> {
    let width = t.number(
        "width_m",
        0.5..=3.5,
        "measure the overall width at the rear, in metres",
    );
    let speed = t.number(
        "reverse_speed_kmh",
        0.5..=30.0,
        "give the fastest that you reverse, in km/h",
    );
    let reaction = t.number(
        "reaction_s",
        0.2..=5.0,
        "give the time from the warning to the brake, in seconds (2.5 is a cautious value)",
    );
    let deceleration = t.number(
        "deceleration_mps2",
        0.5..=10.0,
        "give the braking in m/s² (3.4 is a cautious value)",
    );
    Some(Vehicle {
        width: Metres(width?),
        reverse_speed: MetresPerSecond::from_kmh(speed?),
        reaction: Duration::from_secs_f64(reaction?),
        deceleration_mps2: deceleration?,
    })
}
