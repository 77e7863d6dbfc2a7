//! Word to the service manager; nothing at all where there is none.

use std::time::{Duration, Instant};

/// How often the status line may change.
const STATUS_EVERY: Duration = Duration::from_millis(500);

/// Tells systemd that the service is ready, well, and what it says.
pub struct Notifier {
    ready: bool,
    /// Longest silence that systemd was promised, halved.
    feed_every: Option<Duration>,
    fed: Option<Instant>,
    status: String,
    status_at: Option<Instant>,
}

impl Notifier {
    /// Reads from the environment what systemd wants.
    pub fn new() -> Self {
        #[cfg(feature = "systemd")]
        let watchdog = sd_notify::watchdog_enabled();
        #[cfg(not(feature = "systemd"))]
        let watchdog: Option<Duration> = None;
        Notifier {
            ready: false,
            // sd_watchdog_enabled(3) asks for half the interval; a quarter
            // leaves room for a verdict that takes its time.
            feed_every: watchdog.map(|interval| interval / 4),
            fed: None,
            status: String::new(),
            status_at: None,
        }
    }

    /// A verdict was completed. This alone feeds the watchdog: a timer would
    /// go on feeding it while nobody looks at the ground.
    pub fn verdict(&mut self, status: &str) {
        let now = Instant::now();
        if !self.ready {
            self.ready = true;
            send(&Word::Ready);
        }
        if let Some(every) = self.feed_every {
            if self.fed.is_none_or(|fed| now - fed >= every) {
                self.fed = Some(now);
                send(&Word::Watchdog);
            }
        }
        if status != self.status && self.status_at.is_none_or(|at| now - at >= STATUS_EVERY) {
            self.status.clear();
            self.status.push_str(status);
            self.status_at = Some(now);
            send(&Word::Status(status));
        }
    }

    /// The service ends as it should.
    pub fn stopping(&self) {
        send(&Word::Stopping);
    }
}

impl Default for Notifier {
    fn default() -> Self {
        Self::new()
    }
}

enum Word<'a> {
    Ready,
    Watchdog,
    Status(&'a str),
    Stopping,
}

#[cfg(feature = "systemd")]
fn send(word: &Word<'_>) {
    use sd_notify::NotifyState;

    let state = match word {
        Word::Ready => NotifyState::Ready,
        Word::Watchdog => NotifyState::Watchdog,
        Word::Status(text) => NotifyState::Status(text),
        Word::Stopping => NotifyState::Stopping,
    };
    // A manager that does not listen must not stop the warning.
    if let Err(e) = sd_notify::notify(&[state]) {
        tracing::debug!("systemd: {e}");
    }
}

#[cfg(not(feature = "systemd"))]
fn send(word: &Word<'_>) {
    if let Word::Status(text) = word {
        tracing::debug!("{text}");
    }
}
