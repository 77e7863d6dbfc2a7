//! The report as it is printed.

use std::fmt::Write;
use std::path::Path;

use super::objects::{self, Demand, ObjectRow};
use super::sight::GREATEST_M;
use super::Report;

pub(super) fn text(file: &Path, report: &Report) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = write(&mut out, file, report);
    out
}

fn write(out: &mut String, file: &Path, report: &Report) -> std::fmt::Result {
    let o = &report.outlook;
    writeln!(out, "{}: sound ({})", file.display(), report.name)?;

    writeln!(out, "\nNear blind strip")?;
    let strip = |m: Option<f64>, where_: &str| match m {
        Some(m) if m < 0.005 => format!("  the ground is seen right from the bumper {where_}\n"),
        Some(m) => format!("  ground nearer than {m:.2} m is not seen {where_}\n"),
        None => format!("  the ground is never seen {where_}\n"),
    };
    out.push_str(&strip(o.blind_strip_m, "over the vehicle's whole width"));
    out.push_str(&strip(o.blind_strip_centre_m, "on the centre line"));

    if !report.self_mask {
        writeln!(
            out,
            "  (what bumper, plate or door hide is not known: the profile has no camera.self_mask)"
        )?;
    }

    writeln!(
        out,
        "\nDistances (sd: one standard deviation, picture noise and mount)"
    )?;
    writeln!(
        out,
        "  behind     row  m per row     sd m  of it mount  seen from left to right"
    )?;
    for d in &o.distances {
        write!(out, "  {:4.1} m", d.behind_m)?;
        match (d.row_px, d.metres_per_row, d.sd_m, d.mount_sd_m) {
            (Some(row), Some(per_row), Some(sd), Some(mount)) => {
                write!(out, "{row:9.1}{per_row:11.4}{sd:9.3}{mount:13.3}")?;
            }
            _ => write!(out, "   not in the picture on the centre line    ")?,
        }
        match (d.left_m, d.right_m) {
            (Some(l), Some(r)) => writeln!(out, "  {} .. {} m", limit(l), limit(r))?,
            _ => writeln!(out, "  nothing")?,
        }
    }

    writeln!(
        out,
        "\nZones at {:.1} km/h, which takes {:.2} m to stop (reaction and braking)",
        o.speed_kmh, o.stopping_room_m
    )?;
    writeln!(
        out,
        "  zone           word        from      to   room left   stops from   seen  edges known to (mount, 2 sd)"
    )?;
    for z in &o.zones {
        let edge = |sd: Option<f64>| sd.map_or("?".to_owned(), |sd| format!("{:.2}", 2.0 * sd));
        writeln!(
            out,
            "  {:14} {:8}{:6.2} m{:6.2} m{:+10.2} m{:8.1} km/h{:6.0} %  ±{} m, ±{} m",
            shorten(&z.name, 14),
            z.signal,
            z.near_m,
            z.far_m,
            z.room_left_m,
            z.greatest_speed_kmh,
            100.0 * z.seen_share,
            edge(z.near_mount_sd_m),
            edge(z.far_mount_sd_m),
        )?;
    }
    writeln!(
        out,
        "  Room left: when the driver is warned at the zone's far edge only.\n  What steps suddenly into view is believed only {:.2} m further on.",
        o.confirm_way_m
    )?;

    writeln!(
        out,
        "\nStandard test objects in view (geometry only, no approval)"
    )?;
    writeln!(out, "  {}", objects::US_SOURCE)?;
    for row in &report.us_objects {
        object(out, row)?;
    }
    writeln!(out, "  {}", objects::UN_SOURCE)?;
    for row in &report.un_objects {
        object(out, row)?;
    }

    writeln!(out, "\nSuggestions")?;
    if report.suggestions.is_empty() {
        writeln!(out, "  none")?;
    }
    for line in &report.suggestions {
        writeln!(out, "  - {line}")?;
    }
    writeln!(out, "\nCautions")?;
    for line in &report.cautions {
        writeln!(out, "  - {line}")?;
    }
    Ok(())
}

fn object(out: &mut String, o: &ObjectRow) -> std::fmt::Result {
    let wanted = match o.demand {
        Demand::Whole => "whole",
        Demand::WidePortion => "a portion 0.15 m wide",
        Demand::Patch => "a patch 0.15 m square, or the top",
    };
    let width = o
        .width_px
        .map_or(String::new(), |w| format!(", {w:.0} px wide"));
    writeln!(
        out,
        "    {:11} {:4.2} m behind, {:+5.2} m: {:3.0} % shows{width}; wanted {wanted}: {}",
        o.label,
        o.behind_m,
        o.side_m,
        100.0 * o.seen_share,
        if o.met { "yes" } else { "NO" }
    )
}

fn limit(side_m: f64) -> String {
    if side_m.abs() > GREATEST_M - 0.02 {
        let sign = if side_m < 0.0 { "<-" } else { ">" };
        format!("{sign}{GREATEST_M:.0}")
    } else {
        format!("{side_m:+.2}")
    }
}

fn shorten(name: &str, length: usize) -> String {
    name.chars().take(length).collect()
}
