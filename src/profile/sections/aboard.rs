//! `[buzzer]`, `[sound]`, `[screen]`, `[record]` and `[reverse]`: the devices
//! aboard.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::profile::reader::Table;
use crate::profile::{
    Aboard, BuzzerKind, BuzzerSettings, LineDriver, LineSettings, Pull, RecordSettings,
    ReverseInput, ReverseSettings, ScreenSettings, SoundSettings, Turn,
};

/// BCM numbers by position on the 40-pin header of the Raspberry Pi and boards
/// made like it (from its maker's documentation); `None` is power or ground.
const HEADER: [Option<u32>; 40] = [
    None,
    None,
    Some(2),
    None,
    Some(3),
    None,
    Some(4),
    Some(14),
    None,
    Some(15), // 1 to 10
    Some(17),
    Some(18),
    Some(27),
    None,
    Some(22),
    Some(23),
    None,
    Some(24),
    Some(10),
    None,
    Some(9),
    Some(25),
    Some(11),
    Some(8),
    None,
    Some(7),
    Some(0),
    Some(1),
    Some(5),
    None,
    Some(6),
    Some(12),
    Some(13),
    None,
    Some(19),
    Some(16),
    Some(26),
    Some(20),
    None,
    Some(21),
];

/// `folder` is where relative paths of the recording and of the bench's reverse
/// file start.
pub(super) fn read(t: &mut Table, folder: &Path) -> Option<Aboard> {
    let buzzer = t.section_if_present("buzzer", read_buzzer);
    let sound = t.section_if_present("sound", read_sound);
    let screen = t.section_if_present("screen", read_screen);
    let record = t.section_if_present("record", |t| read_record(t, folder));
    let reverse = t.section_or_default("reverse", |t| read_reverse(t, folder));
    let aboard = Aboard {
        buzzer: buzzer?,
        sound: sound?,
        screen: screen?,
        record: record?,
        reverse: reverse?,
    };
    if let (Some(buzzer), ReverseInput::Line { line, .. }) = (&aboard.buzzer, &aboard.reverse.input)
    {
        if buzzer.line.line == line.line && buzzer.line.chip == line.chip {
            t.fault(
                "reverse",
                format!(
                    ".line = {} is the buzzer's line too; give each its own",
                    line.line
                ),
            );
            return None;
        }
    }
    Some(aboard)
}

fn read_buzzer(t: &mut Table) -> Option<BuzzerSettings> {
    let kind = t.word(
        "kind",
        &[
            ("active", BuzzerKind::Active),
            ("passive", BuzzerKind::Passive),
        ],
    );
    let line = read_line(t);
    Some(BuzzerSettings {
        line: line?,
        kind: kind?,
    })
}

/// `line = "18"` is a BCM number or an offset, `line = "pin:12"` a position on
/// the board's header.
fn read_line(t: &mut Table) -> Option<LineSettings> {
    const ADVICE: &str =
        "write the BCM number or chip offset as \"18\", or the place on the header as \"pin:12\"";
    let driver = t.word_if_present(
        "driver",
        &[
            ("auto", LineDriver::Auto),
            ("pi", LineDriver::Pi),
            ("chip", LineDriver::Chip),
        ],
    );
    let chip = t.text_or("chip", "/dev/gpiochip0");
    let active_low = t.flag_or("active_low", false);
    let text = t.text("line", ADVICE)?;
    let line = match text.strip_prefix("pin:") {
        Some(pin) => {
            let place = pin.trim().parse::<usize>().ok();
            let Some(line) = place.and_then(|p| *HEADER.get(p.checked_sub(1)?)?) else {
                t.fault(
                    "line",
                    format!(" = {text:?} is no signal pin of the 40-pin header; {ADVICE}"),
                );
                return None;
            };
            line
        }
        None => match text.trim().parse::<u32>() {
            Ok(line) if line < 1024 => line,
            _ => {
                t.fault("line", format!(" = {text:?} is no line; {ADVICE}"));
                return None;
            }
        },
    };
    Some(LineSettings {
        driver: driver?.unwrap_or(LineDriver::Auto),
        chip: PathBuf::from(chip?),
        line,
        active_low: active_low?,
    })
}

fn read_sound(t: &mut Table) -> Option<SoundSettings> {
    let device = t.text_or("device", "default");
    let volume = t.number_or("volume", 0.6, 0.05..=1.0);
    Some(SoundSettings {
        device: device?,
        volume: volume?,
    })
}

fn read_screen(t: &mut Table) -> Option<ScreenSettings> {
    let device = t.text_or("device", "/dev/fb0");
    let turn = t.word_if_present(
        "turn_deg",
        &[
            ("0", Turn::Upright),
            ("90", Turn::Right),
            ("180", Turn::Over),
            ("270", Turn::Left),
        ],
    );
    Some(ScreenSettings {
        device: PathBuf::from(device?),
        turn: turn?.unwrap_or(Turn::Upright),
    })
}

fn read_record(t: &mut Table, folder: &Path) -> Option<RecordSettings> {
    let place = t.text(
        "folder",
        "name a folder that can be written, on a read-only system one of the data partition",
    );
    // Less than this holds no clip worth the name; more is no card that exists.
    let most_mib = t.whole_or("most_mib", 1024, 16..=1_000_000);
    let minutes = t.number_or("minutes", 2.0, 0.2..=60.0);
    let on_danger = t.flag_or("on_danger", false);
    Some(RecordSettings {
        folder: folder.join(place?),
        most_bytes: u64::from(most_mib?) << 20,
        last: Duration::from_secs_f64(minutes? * 60.0),
        on_danger: on_danger?,
    })
}

fn read_reverse(t: &mut Table, folder: &Path) -> Option<ReverseSettings> {
    #[derive(Clone, Copy)]
    enum Kind {
        Always,
        Line,
        File,
    }
    let kind = t.word_if_present(
        "input",
        &[
            ("always", Kind::Always),
            ("line", Kind::Line),
            ("file", Kind::File),
        ],
    );
    let debounce = t.millis_or("debounce_ms", 30, 0..=90);
    let linger = t.millis_or("linger_ms", 1500, 0..=60_000);
    let input = match kind?.unwrap_or(Kind::Always) {
        Kind::Always => ReverseInput::Always,
        Kind::Line => {
            let pull = t.word_if_present(
                "pull",
                &[("none", Pull::None), ("up", Pull::Up), ("down", Pull::Down)],
            );
            let line = read_line(t);
            ReverseInput::Line {
                line: line?,
                pull: pull?.unwrap_or(Pull::None),
            }
        }
        Kind::File => ReverseInput::File(
            folder.join(t.text("file", "name the file that holds 1 while reversing")?),
        ),
    };
    Some(ReverseSettings {
        input,
        debounce: debounce?,
        linger: linger?,
    })
}
