//! Commands; nothing else.

use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Warns the driver of an older vehicle of what stands behind it.
///
/// Exit codes: 0 done; 1 done, and the answer is no; 2 the input or the
/// command line is at fault.
#[derive(Parser)]
#[command(name = "hindward", version, about)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    Run(hindward::watch::run::RunArgs),
    Quiet(hindward::watch::run::QuietArgs),
    Check(hindward::profile::check::CheckArgs),
    Zones(hindward::profile::zones::ZonesArgs),
    Board(hindward::optics::calibrate::BoardArgs),
    Lens(hindward::optics::calibrate::LensArgs),
    Mount(hindward::optics::calibrate::MountArgs),
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
    tracing_subscriber::fmt()
        .with_env_filter(
            tracing_subscriber::EnvFilter::try_from_env("HINDWARD_LOG")
                .unwrap_or_else(|_| "hindward=info".into()),
        )
        .with_writer(std::io::stderr)
        .init();
    let done: anyhow::Result<ExitCode> = match &cli.command {
        Command::Run(args) => hindward::watch::run::run(args),
        Command::Quiet(args) => hindward::watch::run::quiet(args),
        Command::Check(args) => hindward::profile::check::run(args),
        Command::Zones(args) => hindward::profile::zones::run(args),
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
        eprintln!("hindward: {error:#}");
        ExitCode::from(2)
    })
}
