//! `[display]`: how the picture is shown.

use crate::profile::reader::Table;
use crate::profile::DisplaySettings;
use crate::units::Metres;

/// Rungs at half a metre where every decimetre counts, then whole metres.
const RUNGS_M: [f64; 4] = [0.5, 1.0, 2.0, 3.0];

pub(super) fn read(t: &mut Table) -> Option<DisplaySettings> {
    let mirrored = t.flag_or("mirrored", true);
    let advice = "list the distances of the rungs in metres, rising, for example [0.5, 1, 2, 3]";
    let rungs = t.numbers_if_present("rungs_m", 1..=12, 0.1..=30.0, advice);
    let rungs = rungs?.unwrap_or_else(|| RUNGS_M.to_vec());
    if rungs.windows(2).any(|w| w[0] >= w[1]) {
        t.fault("rungs_m", format!(" = {rungs:?} is not rising; {advice}"));
        return None;
    }
    Some(DisplaySettings {
        mirrored: mirrored?,
        rungs: rungs.into_iter().map(Metres).collect(),
    })
}
