//! Whatever stands in a file, reading it ends in a profile or in faults, and
//! what was accepted can be looked at; never in a panic.

use hindward::profile::check::Report;
use hindward::profile::{Profile, ProfileError};
use proptest::prelude::*;

const EXAMPLES: [&str; 3] = [
    include_str!("../config/plate-height.toml"),
    include_str!("../config/hatch.toml"),
    include_str!("../config/van-roof.toml"),
];

/// Values that have broken programs before.
const ODD: [&str; 20] = [
    "0",
    "-1",
    "1e308",
    "-1e308",
    "nan",
    "-inf",
    "1e-300",
    "90",
    "89",
    "0x7fffffffffffffff",
    "18446744073709551616",
    "\"\"",
    "[]",
    "[[]]",
    "{}",
    "true",
    "1979-05-27",
    "\"\\u0000\"",
    "[nan, 1]",
    "[[0, 0], [1, 0], [1e9, 1e9]]",
];

/// One line changed: its value, doubled, dropped, cut or in another section.
#[derive(Debug, Clone)]
enum Change {
    Value(usize, &'static str),
    Double(usize),
    Drop(usize),
    Cut(usize),
    Move(usize, usize),
}

fn change() -> impl Strategy<Value = Change> {
    let line = 0..200usize;
    prop_oneof![
        (line.clone(), prop::sample::select(&ODD[..])).prop_map(|(l, v)| Change::Value(l, v)),
        line.clone().prop_map(Change::Double),
        line.clone().prop_map(Change::Drop),
        line.clone().prop_map(Change::Cut),
        (line.clone(), line).prop_map(|(a, b)| Change::Move(a, b)),
    ]
}

fn apply(text: &str, changes: &[Change]) -> String {
    let mut lines: Vec<String> = text.lines().map(str::to_owned).collect();
    for change in changes {
        let n = lines.len().max(1);
        match *change {
            Change::Value(l, v) => {
                if let Some((key, _)) = lines[l % n].clone().split_once('=') {
                    lines[l % n] = format!("{key}= {v}");
                }
            }
            Change::Double(l) => lines.insert(l % n, lines[l % n].clone()),
            Change::Drop(l) => {
                lines.remove(l % n);
            }
            Change::Cut(l) => {
                let half = lines[l % n].chars().count() / 2;
                lines[l % n] = lines[l % n].chars().take(half).collect();
            }
            Change::Move(a, b) => {
                let line = lines.remove(a % n);
                lines.insert(b % n, line);
            }
        }
    }
    lines.join("\n")
}

/// Faults have lines inside the text, are sorted and fill one line each.
fn sane(text: &str, result: &Result<Profile, ProfileError>) {
    if let Err(error) = result {
        let faults = error.faults();
        assert!(!faults.is_empty());
        assert!(faults.windows(2).all(|w| w[0] <= w[1]));
        let most = text.lines().count() + 1;
        assert!(
            faults.iter().all(|f| (1..=most).contains(&f.line)),
            "{error}"
        );
        assert_eq!(error.to_string().lines().count(), faults.len(), "{error}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]

    #[test]
    fn damaged_profiles_are_judged(
        example in 0..3usize,
        changes in prop::collection::vec(change(), 1..6),
    ) {
        let text = apply(EXAMPLES[example], &changes);
        sane(&text, &Profile::parse(&text, "p.toml"));
    }

    #[test]
    fn any_text_is_judged(text in "(?s).{0,400}") {
        sane(&text, &Profile::parse(&text, "p.toml"));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    /// Every profile within the ranges either is refused or can be looked at,
    /// and what is said of it are numbers.
    #[test]
    fn accepted_profiles_can_be_looked_at(
        height in 0.15..5.0f64,
        pitch in -30.0..89.0f64,
        roll in -45.0..45.0f64,
        yaw in -75.0..75.0f64,
        set_back in -1.0..5.0f64,
        focal in 10.0..2000.0f64,
        k1 in -1.0..1.0f64,
        pitch_sd in 0.001..20.0f64,
        example in 0..2usize,
    ) {
        let mut text = String::new();
        for line in EXAMPLES[example].lines() {
            let key = line.split('=').next().unwrap_or("").trim();
            let value = match key {
                "height_m" => height,
                "pitch_deg" => pitch,
                "roll_deg" => roll,
                "yaw_deg" => yaw,
                "set_back_m" => set_back,
                "fx_px" | "fy_px" => focal,
                "k1" => k1,
                "pitch_sd_deg" => pitch_sd,
                _ => {
                    text.push_str(line);
                    text.push('\n');
                    continue;
                }
            };
            text.push_str(&format!("{key} = {value:?}\n"));
        }
        let result = Profile::parse(&text, "p.toml");
        sane(&text, &result);
        if let Ok(profile) = result {
            let report = Report::new(&profile).unwrap();
            for d in &report.outlook.distances {
                for value in [d.row_px, d.metres_per_row, d.sd_m, d.mount_sd_m, d.left_m, d.right_m] {
                    prop_assert!(value.is_none_or(f64::is_finite), "{d:?}");
                }
                prop_assert!(d.sd_m.is_none_or(|sd| sd >= d.mount_sd_m.unwrap() - 1e-12));
            }
            for zone in &report.outlook.zones {
                prop_assert!((0.0..=1.0).contains(&zone.seen_share));
            }
        }
    }
}
