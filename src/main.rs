//! Commands; nothing else.

use std::io::IsTerminal;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Warns the driver of an older vehicle of what stands behind it.
///
/// An aid: it never replaces looking.
#[derive(Parser)]
#[command(name = "hindward", version, about, after_help = AFTER)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

const AFTER: &str = "\
Examples:
  hindward check config/hatch.toml                 is the profile sound, what will be seen
  hindward stage demo/drive.toml --out drive       render a scene into a clip with truth
  hindward replay drive --out drive-run --annotate what would have been said
  hindward score drive-run                         and how much of it was right
  hindward run /etc/hindward/profile.toml          on board

HINDWARD_LOG=hindward=debug says more on standard error.

Exit codes: 0 done; 1 done, and the answer is no; 2 the input or the command line is
at fault.";

#[derive(Subcommand)]
enum Command {
    Run(hindward::watch::run::RunArgs),
    Quiet(hindward::watch::run::QuietArgs),
    Record(hindward::watch::record::command::RecordArgs),
    Check(hindward::profile::check::CheckArgs),
    Zones(hindward::profile::zones::ZonesArgs),
    Board(hindward::optics::calibrate::BoardArgs),
    Lens(hindward::optics::calibrate::LensArgs),
    Mount(hindward::optics::calibrate::MountArgs),
    Mask(hindward::bench::mask::MaskArgs),
    Replay(hindward::bench::replay::ReplayArgs),
    Report(hindward::bench::report::ReportArgs),
    Compare(hindward::bench::compare::CompareArgs),
    Label(hindward::bench::label::LabelArgs),
    Clip(hindward::bench::clip::ClipArgs),
    Tune(hindward::bench::tune::TuneArgs),
    Score(hindward::bench::score::ScoreArgs),
    Stage(hindward::stage::StageArgs),
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    let log = tracing_subscriber::fmt()
        .with_target(false)
        .with_ansi(std::io::stderr().is_terminal())
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_env("HINDWARD_LOG")
                .unwrap_or_else(|_| "hindward=info".into()),
        )
        .with_writer(std::io::stderr)
        // Its own complaint about a closed pipe would be a panic.
        .log_internal_errors(false);
    // The journal has its own time.
    match std::env::var_os("JOURNAL_STREAM") {
        Some(_) => log.without_time().init(),
        None => log.init(),
    }
    let done: anyhow::Result<ExitCode> = match &cli.command {
        Command::Run(args) => hindward::watch::run::run(args),
        Command::Quiet(args) => hindward::watch::run::quiet(args),
        Command::Record(args) => hindward::watch::record::command::run(args),
        Command::Check(args) => hindward::profile::check::run(args),
        Command::Zones(args) => hindward::profile::zones::run(args),
        Command::Mask(args) => hindward::bench::mask::run(args),
        Command::Replay(args) => hindward::bench::replay::run(args),
        Command::Compare(args) => hindward::bench::compare::run(args),
        Command::Clip(args) => hindward::bench::clip::run(args),
        Command::Tune(args) => hindward::bench::tune::run(args),
        Command::Label(args) => hindward::bench::label::run(args),
        Command::Report(args) => hindward::bench::report::run(args),
        Command::Score(args) => hindward::bench::score::run(args),
        Command::Stage(args) => hindward::stage::run(args),
        Command::Board(args) => hindward::optics::calibrate::run_board(args),
        Command::Lens(args) => hindward::optics::calibrate::run_lens(args),
        Command::Mount(args) => hindward::optics::calibrate::run_mount(args),
    };
    done.unwrap_or_else(|error| {
        hindward::say::error_line(format_args!("hindward: {error:#}"));
        ExitCode::from(2)
    })
}
