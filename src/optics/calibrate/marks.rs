//! The file of marks: CSV that a person types, or that the picking page writes.

use super::mount_fit::Mark;
use crate::optics::{GroundPoint, PixelPoint};

/// The first line of a file of marks.
pub const HEADER: &str = "name,u_px,v_px,behind_m,side_m";

/// Reads marks: a header line, then one mark a line; `#` starts a comment line.
///
/// # Errors
/// All that is wrong, one `file:line: …` a line.
pub fn parse(text: &str, file: &str) -> Result<Vec<Mark>, String> {
    let mut marks: Vec<Mark> = Vec::new();
    let mut faults = Vec::new();
    let mut header = false;
    for (n, line) in text.lines().enumerate() {
        let line = line.trim().trim_start_matches('\u{feff}');
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let place = format!("{file}:{}", n + 1);
        let cells: Vec<&str> = line.split([',', ';']).map(str::trim).collect();
        if !header {
            header = true;
            if cells.join(",") != HEADER {
                faults.push(format!(
                    "{place}: is not the header; write `{HEADER}` there"
                ));
                break;
            }
            continue;
        }
        match mark(&cells) {
            Ok(mark) if marks.iter().any(|m| m.name == mark.name) => {
                faults.push(format!(
                    "{place}: the name {} is taken; choose another",
                    mark.name
                ));
            }
            Ok(mark) => marks.push(mark),
            Err(why) => faults.push(format!("{place}: {why}")),
        }
    }
    if !header && faults.is_empty() {
        faults.push(format!(
            "{file}: is empty; write `{HEADER}` and a line for each mark"
        ));
    }
    if faults.is_empty() {
        Ok(marks)
    } else {
        Err(faults.join("\n"))
    }
}

fn mark(cells: &[&str]) -> Result<Mark, String> {
    let [name, rest @ ..] = cells else {
        return Err("is empty; give name, pixel and place".to_owned());
    };
    if rest.len() != 4 {
        return Err(format!(
            "has {} values; give {HEADER}, decimals with a point",
            cells.len()
        ));
    }
    if name.is_empty() || name.len() > 40 || name.chars().any(char::is_control) {
        return Err("has no usable name; give each mark a short one, such as A".to_owned());
    }
    let limits = [
        ("u_px", -1.0, 20_000.0),
        ("v_px", -1.0, 20_000.0),
        ("behind_m", -2.0, 30.0),
        ("side_m", -15.0, 15.0),
    ];
    let mut values = [0.0; 4];
    for ((value, text), (key, low, high)) in values.iter_mut().zip(rest).zip(limits) {
        *value = text
            .parse()
            .ok()
            .filter(|v: &f64| (low..=high).contains(v))
            .ok_or_else(|| {
                format!("{key} = {text} is no number from {low} to {high}; correct it")
            })?;
    }
    Ok(Mark {
        name: (*name).to_owned(),
        at: PixelPoint {
            u: values[0],
            v: values[1],
        },
        ground: GroundPoint {
            behind_m: values[2],
            side_m: values[3],
        },
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_what_a_person_types() {
        let text = "# drive, 3 May\nname,u_px,v_px,behind_m,side_m\nA, 100.5, 400, 0.5, -0.8\nB;500;410;0.5;0.8\n";
        let marks = parse(text, "marks.csv").unwrap();
        assert_eq!(marks.len(), 2);
        assert_eq!(marks[0].at.u, 100.5);
        assert_eq!(marks[1].ground.side_m, 0.8);
    }

    #[test]
    fn names_every_fault_with_its_line() {
        let text = "name,u_px,v_px,behind_m,side_m\nA,1,2,3\nB,1,2,nan,0\nC,1,2,1,0\nC,3,4,2,0\n,1,2,3,4\n";
        let faults = parse(text, "m.csv").unwrap_err();
        let lines: Vec<&str> = faults
            .lines()
            .map(|l| l.split(' ').next().unwrap())
            .collect();
        assert_eq!(lines, ["m.csv:2:", "m.csv:3:", "m.csv:5:", "m.csv:6:"]);
        assert!(parse("", "m.csv").is_err());
        assert!(parse("u,v\n", "m.csv").unwrap_err().contains("header"));
    }
}
