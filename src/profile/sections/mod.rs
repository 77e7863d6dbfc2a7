//! The sections of a profile, one file per family, and the checks across them.

mod aboard;
mod across;
mod camera;
mod display;
mod mount;
mod sight;
mod vehicle;
mod zones;

use std::path::Path;

use super::reader::Table;
use super::Profile;

/// Reads `[camera]` and `[lens]` only.
pub(super) fn read_lens_alone(t: &mut Table) -> Option<crate::optics::Lens> {
    let camera = t.section("camera", camera::ADVICE, |t| camera::read(t, Path::new("")))?;
    let size = Some((camera.width, camera.height));
    t.section("lens", camera::LENS_ADVICE, |t| camera::read_lens(t, size))
}

/// Reads the whole profile. `folder` is where paths in it start.
pub(super) fn read(t: &mut Table, folder: &Path) -> Option<Profile> {
    let name = t.text(
        "name",
        "name the vehicle, for example name = \"blue van\", above the first section",
    );
    let vehicle = t.section("vehicle", vehicle::ADVICE, vehicle::read);
    let camera = t.section("camera", camera::ADVICE, |t| camera::read(t, folder));
    let size = camera.as_ref().map(|c| (c.width, c.height));
    let lens = t.section("lens", camera::LENS_ADVICE, |t| camera::read_lens(t, size));
    let mount = t.section("mount", mount::ADVICE, mount::read);
    let watch = t.section("watch", sight::WATCH_ADVICE, sight::read_watch);
    let segment = t.section_or_default("segment", sight::read_segment);
    let track = t.section_or_default("track", sight::read_track);
    let health = t.section_or_default("health", sight::read_health);
    let zones = t.list("zone", zones::read);
    let fault_pattern = t.section_or_default("fault", zones::read_fault);
    let display = t.section_or_default("display", display::read);
    let aboard = aboard::read(t, folder);

    let mut profile = Profile {
        name: name?,
        vehicle: vehicle?,
        camera: camera?,
        lens: lens?,
        mount: mount?,
        watch: watch?,
        segment: segment?,
        track: track?,
        health: health?,
        zones: zones?,
        fault_pattern: fault_pattern?,
        display: display?,
        aboard: aboard?,
    };
    across::check(t, &profile);
    zones::gravest_first(&mut profile.zones);
    Some(profile)
}
