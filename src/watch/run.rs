//! `hindward run`: the daemon, and `hindward quiet`, its stop step.

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{channel, Receiver};
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::Context;
use clap::Args;

use super::conductor::Conductor;
use super::devices::{self, Findings};
use super::eyes::Eyes;
use super::notify::Notifier;
use super::pace::Pace;
use super::record::{FrameRecorder, Recording};
use super::reverse::{Contact, Gate};
use super::viewer::{OpenScreen, Viewer};
use super::{Input, Pipeline};
use crate::announce::{notice, LineBuzzer};
use crate::bench::replay::working_scale;
use crate::camera::{Decoder, Grab, Picture, RawFrame};
use crate::profile::Profile;
use crate::zone::{Reason, Verdict};

/// How often the reverse contact is looked at.
const CONTACT_EVERY: Duration = Duration::from_millis(10);

/// How often a contact that is not there, or cannot be read, is opened again.
const CONTACT_RETRY: Duration = Duration::from_millis(500);

/// How long the self-test's page stays on the screen.
const PAGE_FOR: Duration = Duration::from_millis(1500);

/// Watch what stands behind the vehicle, and warn.
#[derive(Debug, Args)]
#[command(after_help = "Examples:
  hindward run /etc/hindward/profile.toml   what the service does at ignition
  hindward run van.toml --self-test         try each device, say what works, end
  hindward run van.toml --clip drive.avi    a recorded clip in place of the camera

Devices stand in [buzzer], [sound], [screen], [record] and [reverse]. A
device that does not work is reported and tried again; the others go on. Ends at
SIGTERM or SIGINT, silent; at SIGUSR1 keeps a clip, where [record] is given.
An aid: it never replaces looking.

Exit codes: 0 ended as asked; 1 the self-test found a fault; 2 the profile or
the command line is at fault.")]
pub struct RunArgs {
    /// Profile of the vehicle.
    pub profile: PathBuf,
    /// Try each device, say what works, and end.
    #[arg(long)]
    pub self_test: bool,
    /// Play this clip at its own pace in place of the camera.
    #[arg(long, value_name = "CLIP")]
    pub clip: Option<PathBuf>,
    /// Also write each edge of the sound to this table as it happens.
    #[arg(long, value_name = "CSV")]
    pub edges: Option<PathBuf>,
    /// Of the self-test: print JSON instead of text.
    #[arg(long, requires = "self_test")]
    pub json: bool,
}

/// Silence the buzzer's line; for after a program that could not do it itself.
#[derive(Debug, Args)]
#[command(after_help = "Example (the service's stop step):
  hindward quiet /etc/hindward/profile.toml")]
pub struct QuietArgs {
    /// Profile of the vehicle.
    pub profile: PathBuf,
}

/// Runs the stop step: takes the buzzer's line, off, and gives it back.
///
/// # Errors
/// The profile is at fault or the line cannot be had.
pub fn quiet(args: &QuietArgs) -> anyhow::Result<ExitCode> {
    let profile = Profile::load(&args.profile)?;
    if let Some(settings) = &profile.aboard.buzzer {
        // Opening switches it off, and so does dropping.
        LineBuzzer::open(settings)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// Runs the daemon until it is told to end.
///
/// # Errors
/// The profile or the command line is at fault, or a part of the program died.
pub fn run(args: &RunArgs) -> anyhow::Result<ExitCode> {
    let end = end_flag()?;
    let asked = asked_flag()?;
    let profile = Profile::load(&args.profile)?;
    let mut eyes = Eyes::open(args.clip.as_deref(), &profile)?;
    let epoch = eyes.epoch();
    let pipeline = Pipeline::new(&profile)?;

    let mut findings = Findings::new();
    let (news, sound_news) = channel();
    let news = (!args.self_test).then_some(news);
    let sounds = devices::open_sounds(args.edges.as_deref(), &profile, &mut findings, news)?;
    let contact = match Contact::open(&profile.aboard.reverse) {
        Ok(contact) => {
            let name = format!("reverse: {}", contact.name());
            findings.push((name, true));
            Some(contact)
        }
        Err(e) => {
            findings.push((format!("reverse: {e:#}; taken as always in reverse"), false));
            None
        }
    };
    let mut screen = None;
    let open_screen = profile.aboard.screen.as_ref().map(|settings| {
        let mut open = devices::screen_opener(settings);
        screen = devices::open_screen(settings, &mut open, &mut findings);
        open
    });
    if let Some(settings) = &profile.aboard.record {
        findings.push(match FrameRecorder::try_folder(settings) {
            Ok(()) => (format!("record: {}", settings.folder.display()), true),
            Err(e) => (format!("record: {e:#}"), false),
        });
    }
    let conductor = Conductor::start(&profile, epoch, sounds)?;
    if args.self_test {
        let healthy = self_test(&mut eyes, findings, screen, args.json)?;
        std::thread::sleep(Duration::from_millis(300)); // the chirp
        drop(conductor);
        return Ok(if healthy {
            ExitCode::SUCCESS
        } else {
            ExitCode::FAILURE
        });
    }
    findings.iter().for_each(log);
    let viewer = match open_screen {
        Some(open) => Some(Viewer::start(&profile, screen, open)?),
        None => None,
    };
    if let Some(viewer) = &viewer {
        viewer.show_page(&title(&profile), &findings);
    }
    let on_danger = profile.aboard.record.as_ref().is_some_and(|r| r.on_danger);
    let recorder = match &profile.aboard.record {
        Some(settings) => Some(FrameRecorder::into_ring(settings, &profile, &args.profile)?),
        None => None,
    };
    let reversing = Arc::new(AtomicBool::new(false));
    let watcher = watch_contact(&profile, contact, &conductor, &reversing, &end)?;
    let mut turn = Loop {
        eyes,
        pipeline,
        decoder: Decoder::new()?,
        denominator: working_scale(&profile),
        stale: profile.health.stale,
        conductor: &conductor,
        viewer: viewer.as_ref(),
        recording: Recording::new(recorder.as_ref(), &asked, on_danger),
        notifier: Notifier::new(),
        reversing: &reversing,
        page_until: epoch.elapsed() + PAGE_FOR,
        profile: &profile,
        findings,
        sound_news,
        pace: Pace::default(),
    };
    let done = turn.run(&end);
    turn.notifier.stopping();
    end.store(true, Ordering::Relaxed);
    let _ = watcher.join();
    let turn_pace = turn.pace;
    drop(viewer);
    tracing::info!("{}", turn_pace.line());
    tracing::info!("{}", conductor.finish().line());
    // Silent by now: a slow disk may take its time.
    if let Some(recorder) = recorder {
        let (counts, _) = recorder.finish();
        tracing::info!(
            "recording: {} frames stored, {} dropped",
            counts.stored,
            counts.dropped
        );
    }
    done.map(|()| ExitCode::SUCCESS)
}

/// Set at SIGTERM, SIGINT or SIGHUP.
pub(super) fn end_flag() -> anyhow::Result<Arc<AtomicBool>> {
    use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};

    let end = Arc::new(AtomicBool::new(false));
    for signal in [SIGTERM, SIGINT, SIGHUP] {
        signal_hook::flag::register(signal, Arc::clone(&end))
            .context("cannot watch for signals")?;
    }
    Ok(end)
}

/// Set at SIGUSR1: somebody wants what was just seen to be kept.
fn asked_flag() -> anyhow::Result<Arc<AtomicBool>> {
    let asked = Arc::new(AtomicBool::new(false));
    signal_hook::flag::register(signal_hook::consts::SIGUSR1, Arc::clone(&asked))
        .context("cannot watch for signals")?;
    Ok(asked)
}

/// Waits for one picture, then says what works.
fn self_test(
    eyes: &mut Eyes,
    mut findings: Findings,
    screen: Option<OpenScreen>,
    json: bool,
) -> anyhow::Result<bool> {
    let mut frame = RawFrame::empty();
    let begun = Instant::now();
    let mut seen = false;
    while !seen && begun.elapsed() < Duration::from_secs(5) {
        seen = match eyes.source().grab(&mut frame)? {
            Grab::Frame => Decoder::new()?
                .decode(&frame, 1, &mut Picture::default())
                .is_ok(),
            Grab::End => break,
            Grab::Broken(_) | Grab::Timeout => false,
        };
    }
    let what = match seen {
        true => format!("camera: {}", eyes.status()),
        false => format!("camera: {}: no picture within 5 s", eyes.status()),
    };
    findings.insert(0, (what, seen));
    if json {
        let all: Vec<_> = findings
            .iter()
            .map(|(finding, good)| serde_json::json!({"finding": finding, "works": good}))
            .collect();
        crate::say::say!("{:#}", serde_json::json!({"findings": all}));
    } else {
        for (finding, good) in &findings {
            crate::say::say!("{} {finding}", if *good { "ok   " } else { "FAULT" });
        }
    }
    if let Some((mut screen, size)) = screen {
        screen.show(&notice(size, "self-test", &findings), Duration::ZERO)?;
        std::thread::sleep(Duration::from_secs(3));
    }
    Ok(findings.iter().all(|(_, good)| *good))
}

/// Starts the thread that looks at the reverse contact, and for it where it is not
/// there.
fn watch_contact(
    profile: &Profile,
    mut contact: Option<Contact>,
    conductor: &Conductor,
    reversing: &Arc<AtomicBool>,
    end: &Arc<AtomicBool>,
) -> anyhow::Result<std::thread::JoinHandle<()>> {
    let settings = profile.aboard.reverse.clone();
    let mut gate = Gate::new(&settings);
    let tell = conductor.reverse_teller();
    let (reversing, end) = (Arc::clone(reversing), Arc::clone(end));
    std::thread::Builder::new()
        .name("reverse".into())
        .spawn(move || {
            let begun = Instant::now();
            let mut next_try = begun + CONTACT_RETRY;
            let mut faulty = contact.is_none();
            let mut told = false;
            while !end.load(Ordering::Relaxed) {
                if contact.is_none() && Instant::now() >= next_try {
                    next_try = Instant::now() + CONTACT_RETRY;
                    contact = Contact::open(&settings).ok();
                }
                // An input that cannot be read might mean reverse.
                let says = match contact.as_ref().map(Contact::read) {
                    Some(Ok(says)) => {
                        if faulty {
                            tracing::info!("reverse: works now");
                        }
                        faulty = false;
                        says
                    }
                    Some(Err(e)) => {
                        if !faulty {
                            tracing::error!("{e:#}; taken as reverse");
                        }
                        faulty = true;
                        contact = None;
                        true
                    }
                    None => true,
                };
                let state = gate.step(says, begun.elapsed());
                if state != told {
                    told = state;
                    reversing.store(state, Ordering::Relaxed);
                    tracing::info!(
                        "{}",
                        if state {
                            "reverse selected"
                        } else {
                            "reverse left"
                        }
                    );
                    if !tell(state) {
                        return;
                    }
                }
                std::thread::sleep(CONTACT_EVERY);
            }
        })
        .context("no thread for the reverse input; too many processes?")
}

struct Loop<'a> {
    eyes: Eyes,
    pipeline: Pipeline,
    decoder: Decoder,
    denominator: u8,
    stale: Duration,
    conductor: &'a Conductor,
    viewer: Option<&'a Viewer>,
    recording: Recording<'a>,
    notifier: Notifier,
    reversing: &'a AtomicBool,
    page_until: Duration,
    profile: &'a Profile,
    findings: Findings,
    sound_news: Receiver<devices::News>,
    pace: Pace,
}

impl Loop<'_> {
    fn run(&mut self, end: &AtomicBool) -> anyhow::Result<()> {
        let epoch = self.eyes.epoch();
        let mut frame = RawFrame::empty();
        let mut picture = Picture::default();
        let mut now = Duration::ZERO;
        let mut last_picture: Option<Duration> = None;
        let mut said = String::new();
        while !end.load(Ordering::Relaxed) {
            self.take_sound_news(epoch.elapsed() < self.page_until);
            let grab = self.eyes.source().grab(&mut frame)?;
            let clock = epoch.elapsed();
            let mut captured = None;
            let input = match grab {
                Grab::End => return Ok(()),
                Grab::Timeout => Input::Missing,
                // An old picture must not pass for a new one.
                _ if clock.saturating_sub(frame.captured) > self.stale => Input::Missing,
                Grab::Broken(why) => {
                    tracing::debug!("frame {}: {why}", frame.seq);
                    captured = Some(frame.captured);
                    Input::Broken
                }
                Grab::Frame => {
                    captured = Some(frame.captured);
                    match self.decoder.decode(&frame, self.denominator, &mut picture) {
                        Ok(()) => Input::Picture(&picture),
                        Err(e) => {
                            tracing::debug!("frame {}: {e}", frame.seq);
                            Input::Broken
                        }
                    }
                }
            };
            now = now.max(captured.unwrap_or(clock));
            let readable = matches!(input, Input::Picture(_));
            if readable {
                last_picture = Some(now);
            }
            let quiet_for = now.saturating_sub(last_picture.unwrap_or(Duration::ZERO));
            if matches!(input, Input::Missing) && quiet_for < self.stale {
                continue; // between two frames of a slow camera
            }
            let mut obstacles = Vec::new();
            let verdict = match (input, last_picture) {
                // Nothing was ever seen: there is nothing to judge.
                (Input::Missing, None) => Verdict::CannotTell {
                    reason: Reason::Late,
                },
                (input, _) => {
                    let outcome = self.pipeline.step(input, now, &mut |_| ());
                    obstacles = outcome.obstacles;
                    outcome.verdict
                }
            };
            let reversing = self.reversing.load(Ordering::Relaxed);
            if readable {
                self.recording.frame(&frame, reversing);
            }
            self.recording.verdict(&verdict, now, reversing);
            let line = describe(&verdict);
            if line != said {
                tracing::info!("{line}");
            }
            let judged = !matches!(
                verdict,
                Verdict::CannotTell {
                    reason: Reason::NotYet
                }
            );
            let page_over = reversing || clock >= self.page_until;
            if let Some(viewer) = self.viewer.filter(|_| page_over) {
                viewer.offer(
                    readable.then_some(&frame),
                    &verdict,
                    &obstacles,
                    now,
                    reversing,
                );
            }
            self.conductor.verdict(verdict, captured)?;
            self.pace.add(epoch.elapsed().saturating_sub(clock));
            if judged {
                self.notifier
                    .verdict(&format!("{line}; {}", self.eyes.status()));
            }
            said = line;
        }
        Ok(())
    }

    /// Says whether the loudspeaker could be opened, also on the page while that stands.
    fn take_sound_news(&mut self, page: bool) {
        let (Ok(news), Some(sound)) = (self.sound_news.try_recv(), &self.profile.aboard.sound)
        else {
            return;
        };
        let finding = match news {
            Ok(()) => (format!("sound: {}", sound.device), true),
            Err(e) => (format!("sound: {e}"), false),
        };
        log(&finding);
        self.findings.push(finding);
        if let Some(viewer) = self.viewer.filter(|_| page) {
            viewer.show_page(&title(self.profile), &self.findings);
        }
    }
}

fn log((finding, good): &(String, bool)) {
    if *good {
        tracing::info!("{finding}");
    } else {
        tracing::error!("{finding}");
    }
}

/// Of the page that is shown at first.
fn title(profile: &Profile) -> String {
    format!("{}: starting", profile.name)
}

/// A verdict in a few words, without the figures that change each frame.
fn describe(verdict: &Verdict) -> String {
    match verdict {
        Verdict::Clear => "clear".into(),
        Verdict::Obstacle(alert) => format!(
            "{} obstacle {} at {:.0} m",
            alert.signal.text(),
            alert.obstacle.id,
            alert.obstacle.nearest.behind_m
        ),
        Verdict::CannotTell { reason } => format!("cannot tell: {}", reason.word()),
    }
}
