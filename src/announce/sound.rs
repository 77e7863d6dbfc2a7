//! The loudspeaker: tones made sample by sample and played through ALSA.
//!
//! A tone is its pitch with a quieter third harmonic: ISO 15006:2011, 4.1.2
//! finds a sound of several narrow bands, for example near 800 Hz and near
//! 3000 Hz, more alerting than one alone. Pitches are held within the 400 Hz
//! to 2000 Hz that it names for tonal signals. Edges are rounded off over
//! 4 ms, since a click is heard as a fault of the loudspeaker.

use std::num::NonZero;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context;
use rodio::cpal::traits::{DeviceTrait, HostTrait};
use rodio::{cpal, DeviceSinkBuilder, MixerDeviceSink, Source};

use super::{Buzzer, Edge};
use crate::profile::SoundSettings;

const LOWEST_HZ: f64 = 400.0;
const HIGHEST_HZ: f64 = 2000.0;
const ROUNDING_S: f32 = 0.004;
/// Frames in a buffer at 48 kHz: 10 ms, of which the device keeps two or more.
const BUFFER_FRAMES: u32 = 480;

/// A loudspeaker that sounds edges.
pub struct Speaker {
    tone: Arc<Shared>,
    name: String,
    _sink: MixerDeviceSink,
}

/// What the playing thread looks at before each sample.
struct Shared {
    /// Pitch in Hz as `f32` bits; 0 is silence.
    hz: AtomicU32,
    failed: AtomicBool,
}

impl Speaker {
    /// Opens a sound device by its ALSA name, or `default`.
    ///
    /// # Errors
    /// The device is absent or refuses every format.
    pub fn open(settings: &SoundSettings) -> anyhow::Result<Self> {
        let name = format!("sound device {}", settings.device);
        let device = find(&settings.device)
            .with_context(|| format!("{name}: not there; `aplay -L` lists what is"))?;
        let tone = Arc::new(Shared {
            hz: AtomicU32::new(0),
            failed: AtomicBool::new(false),
        });
        let failed = Arc::clone(&tone);
        let on_error = move |error: cpal::Error| {
            // An underrun passes by itself; a lost device does not.
            if !matches!(error.kind(), cpal::ErrorKind::Xrun) {
                failed.failed.store(true, Ordering::Relaxed);
            }
            tracing::debug!("sound: {error}");
        };
        let refused = || format!("{name}: cannot be opened; is another program using it?");
        let size = buffer_frames(&device);
        let open = |size| {
            DeviceSinkBuilder::from_device(device.clone())?
                .with_error_callback(on_error.clone())
                .with_buffer_size(size)
                .open_stream()
        };
        // What a device says of its buffers is not always what it takes.
        let mut sink = open(cpal::BufferSize::Fixed(size))
            .or_else(|_| open(cpal::BufferSize::Default))
            .with_context(refused)?;
        sink.log_on_drop(false);
        let rate = sink.config().sample_rate();
        sink.mixer()
            .add(Tone::new(Arc::clone(&tone), rate, settings.volume as f32));
        Ok(Speaker {
            tone,
            name,
            _sink: sink,
        })
    }
}

/// A buffer as near to the wanted size as the device has it.
fn buffer_frames(device: &cpal::Device) -> u32 {
    match device.default_output_config().map(|c| *c.buffer_size()) {
        Ok(cpal::SupportedBufferSize::Range { min, max }) if min <= max => {
            BUFFER_FRAMES.clamp(min, max)
        }
        _ => BUFFER_FRAMES,
    }
}

fn find(name: &str) -> Option<cpal::Device> {
    let host = cpal::default_host();
    if name == "default" {
        return host.default_output_device();
    }
    host.output_devices().ok()?.find(|device| {
        let id = device.id().map(|id| id.to_string()).unwrap_or_default();
        let described = device.description().map(|d| d.name().to_owned());
        described.is_ok_and(|d| d == name) || id == name || id == format!("alsa:{name}")
    })
}

impl Buzzer for Speaker {
    fn set(&mut self, edge: &Edge) -> anyhow::Result<()> {
        let hz = if edge.on {
            edge.tone_hz.clamp(LOWEST_HZ, HIGHEST_HZ)
        } else {
            0.0
        };
        self.tone.hz.store((hz as f32).to_bits(), Ordering::Relaxed);
        if self.tone.failed.load(Ordering::Relaxed) {
            anyhow::bail!("{}: stopped working; check its plug", self.name);
        }
        Ok(())
    }
}

/// An endless source that sounds what it is told to.
struct Tone {
    told: Arc<Shared>,
    rate: NonZero<u32>,
    volume: f32,
    /// Phase of the pitch, in turns.
    phase: f32,
    hz: f32,
    loudness: f32,
}

impl Tone {
    fn new(told: Arc<Shared>, rate: NonZero<u32>, volume: f32) -> Self {
        Tone {
            told,
            rate,
            volume,
            phase: 0.0,
            hz: 0.0,
            loudness: 0.0,
        }
    }
}

impl Iterator for Tone {
    type Item = rodio::Sample;

    fn next(&mut self) -> Option<Self::Item> {
        let rate = self.rate.get() as f32;
        let wanted = f32::from_bits(self.told.hz.load(Ordering::Relaxed));
        let step = 1.0 / (ROUNDING_S * rate);
        if wanted > 0.0 {
            self.hz = wanted;
            self.loudness = (self.loudness + step).min(1.0);
        } else {
            self.loudness = (self.loudness - step).max(0.0);
        }
        self.phase = (self.phase + self.hz / rate).fract();
        let turn = std::f32::consts::TAU * self.phase;
        Some(self.loudness * self.volume * (0.75 * turn.sin() + 0.25 * (3.0 * turn).sin()))
    }
}

impl Source for Tone {
    fn current_span_len(&self) -> Option<usize> {
        None
    }

    fn channels(&self) -> NonZero<u16> {
        NonZero::<u16>::MIN
    }

    fn sample_rate(&self) -> NonZero<u32> {
        self.rate
    }

    fn total_duration(&self) -> Option<Duration> {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(hz: f32) -> Arc<Shared> {
        Arc::new(Shared {
            hz: AtomicU32::new(hz.to_bits()),
            failed: AtomicBool::new(false),
        })
    }

    #[test]
    fn a_tone_has_its_pitch_no_clicks_and_never_clips() {
        let shared = told(1000.0);
        let mut tone = Tone::new(Arc::clone(&shared), NonZero::new(48_000).unwrap(), 1.0);
        let on: Vec<f32> = tone.by_ref().take(48_000).collect();
        shared.hz.store(0, Ordering::Relaxed);
        let off: Vec<f32> = tone.by_ref().take(480).collect();
        assert!(on[0].abs() < 0.01, "starts softly");
        assert!(off[400..].iter().all(|v| *v == 0.0), "ends");
        assert!(on.iter().all(|v| v.abs() <= 1.0));
        let rises = on.windows(2).filter(|w| w[0] < 0.0 && w[1] >= 0.0).count();
        assert!((999..=1001).contains(&rises), "{rises} waves in a second");
    }
}
