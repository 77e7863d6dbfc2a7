//! One GPIO output line, through a Raspberry Pi's registers or the kernel's
//! character device.
//!
//! A line is requested off, and set off again before it is released. What a
//! released line does is up to the board, so a transistor's base or gate needs
//! a resistor to its off side.

use anyhow::bail;
#[cfg(any(feature = "gpio", feature = "pi-gpio"))]
use anyhow::Context;

use crate::profile::{LineDriver, LineSettings};

/// A line that can be switched.
pub(super) trait OutputLine: Send {
    /// On or off, whatever the level for that is.
    fn set(&mut self, on: bool) -> anyhow::Result<()>;

    /// Starts or ends a square wave if the line can make one by itself.
    /// `false` means that it cannot and the caller has to.
    fn wave(&mut self, _hz: Option<f64>) -> anyhow::Result<bool> {
        Ok(false)
    }

    /// What the line is called in messages.
    fn name(&self) -> &str;
}

/// Opens a line as an output, off.
pub(super) fn open(settings: &LineSettings) -> anyhow::Result<Box<dyn OutputLine>> {
    if settings.driver != LineDriver::Chip {
        match pi::open(settings) {
            Ok(line) => return Ok(line),
            Err(e) if settings.driver == LineDriver::Pi => return Err(e),
            Err(e) => tracing::debug!("{e:#}; using {}", settings.chip.display()),
        }
    }
    chip::open(settings)
}

#[cfg(feature = "gpio")]
mod chip {
    use gpiocdev::line::Value;
    use gpiocdev::Request;

    use super::*;

    struct ChipLine {
        request: Request,
        line: u32,
        name: String,
    }

    pub(in super::super) fn open(settings: &LineSettings) -> anyhow::Result<Box<dyn OutputLine>> {
        let name = format!("{} line {}", settings.chip.display(), settings.line);
        refuse_busy(settings)?;
        let mut builder = Request::builder();
        builder
            .on_chip(&settings.chip)
            .with_consumer("hindward buzzer")
            .with_line(settings.line);
        if settings.active_low {
            builder.as_active_low();
        }
        let request = builder
            .as_output(Value::Inactive)
            .request()
            .with_context(|| {
                format!("{name}: cannot be had; check chip, line and the gpio group's rights")
            })?;
        Ok(Box::new(ChipLine {
            request,
            line: settings.line,
            name,
        }))
    }

    /// A line in use would only give an error number; say whose it is.
    pub(in super::super) fn refuse_busy(settings: &LineSettings) -> anyhow::Result<()> {
        let chip = &settings.chip;
        let Ok(info) =
            gpiocdev::chip::Chip::from_path(chip).and_then(|c| c.line_info(settings.line))
        else {
            return Ok(()); // the request itself will say what is wrong
        };
        if info.used {
            let owner = match info.consumer.as_str() {
                "" => "the kernel or another program",
                owner => owner,
            };
            bail!(
                "{} line {}: in use by {owner}; end that, or move the wire to another line",
                chip.display(),
                settings.line
            );
        }
        Ok(())
    }

    impl OutputLine for ChipLine {
        fn set(&mut self, on: bool) -> anyhow::Result<()> {
            let value = if on { Value::Active } else { Value::Inactive };
            self.request
                .set_value(self.line, value)
                .with_context(|| format!("{}: cannot be switched", self.name))
                .map(|_| ())
        }

        fn name(&self) -> &str {
            &self.name
        }
    }

    impl Drop for ChipLine {
        fn drop(&mut self) {
            let _ = self.request.set_value(self.line, Value::Inactive);
        }
    }
}

#[cfg(not(feature = "gpio"))]
mod chip {
    use super::*;

    pub(in super::super) fn open(settings: &LineSettings) -> anyhow::Result<Box<dyn OutputLine>> {
        bail!(
            "{} line {}: this build has no GPIO; build with the feature `gpio`",
            settings.chip.display(),
            settings.line
        )
    }
}

#[cfg(feature = "pi-gpio")]
mod pi {
    use rppal::gpio::{Gpio, OutputPin};
    use rppal::pwm::{Channel, Polarity, Pwm};

    use super::*;

    struct PiLine {
        pin: Option<OutputPin>,
        pwm: Option<Pwm>,
        active_low: bool,
        name: String,
    }

    pub(super) fn open(settings: &LineSettings) -> anyhow::Result<Box<dyn OutputLine>> {
        let name = format!("GPIO {}", settings.line);
        let number = u8::try_from(settings.line)
            .with_context(|| format!("{name}: no such BCM number; it is 0 to 53"))?;
        let gpio = Gpio::new().with_context(|| format!("{name}: no Raspberry Pi registers"))?;
        // The registers would let us take a pin that the kernel gave away.
        #[cfg(feature = "gpio")]
        super::chip::refuse_busy(settings)?;
        let pin = gpio
            .get(number)
            .with_context(|| format!("{name}: cannot be had; check the number"))?;
        let pin = if settings.active_low {
            pin.into_output_high()
        } else {
            pin.into_output_low()
        };
        Ok(Box::new(PiLine {
            pin: Some(pin),
            pwm: None,
            active_low: settings.active_low,
            name,
        }))
    }

    impl PiLine {
        /// The hardware PWM of the pins that commonly carry one, if the board's
        /// set-up has switched it on; `None` otherwise.
        fn hardware(&self) -> Option<Pwm> {
            let channel = match self.pin.as_ref()?.pin() {
                12 | 18 => Channel::Pwm0,
                13 | 19 => Channel::Pwm1,
                _ => return None,
            };
            let pwm = Pwm::new(channel).ok()?;
            if self.active_low {
                pwm.set_polarity(Polarity::Inverse).ok()?;
            }
            Some(pwm)
        }
    }

    impl OutputLine for PiLine {
        fn set(&mut self, on: bool) -> anyhow::Result<()> {
            if let Some(pin) = &mut self.pin {
                if on == self.active_low {
                    pin.set_low();
                } else {
                    pin.set_high();
                }
            }
            Ok(())
        }

        fn wave(&mut self, hz: Option<f64>) -> anyhow::Result<bool> {
            if self.pwm.is_none() {
                self.pwm = self.hardware();
                if self.pwm.is_some() {
                    // Ownership of the pin is the PWM's now: setting its mode
                    // back on drop would cut the wave off.
                    if let Some(pin) = &mut self.pin {
                        pin.set_reset_on_drop(false);
                    }
                }
            }
            match (&self.pwm, hz) {
                (Some(pwm), Some(hz)) => {
                    pwm.set_frequency(hz, 0.5)
                        .and_then(|()| pwm.enable())
                        .with_context(|| format!("{}: hardware PWM failed", self.name))?;
                }
                (Some(pwm), None) => pwm
                    .disable()
                    .with_context(|| format!("{}: hardware PWM failed", self.name))?,
                (None, hz) => {
                    let Some(pin) = &mut self.pin else {
                        return Ok(false);
                    };
                    match hz {
                        Some(hz) => pin.set_pwm_frequency(hz, 0.5),
                        None => pin.clear_pwm(),
                    }
                    .with_context(|| format!("{}: timed PWM failed", self.name))?;
                    if hz.is_none() {
                        self.set(false)?;
                    }
                }
            }
            Ok(true)
        }

        fn name(&self) -> &str {
            &self.name
        }
    }

    impl Drop for PiLine {
        fn drop(&mut self) {
            if let Some(pwm) = &self.pwm {
                let _ = pwm.disable();
            }
            if let Some(pin) = &mut self.pin {
                let _ = pin.clear_pwm();
            }
            let _ = self.set(false);
        }
    }
}

#[cfg(not(feature = "pi-gpio"))]
mod pi {
    use super::*;

    pub(super) fn open(settings: &LineSettings) -> anyhow::Result<Box<dyn OutputLine>> {
        bail!(
            "GPIO {}: this build has no Raspberry Pi support; build with the feature `pi-gpio`",
            settings.line
        )
    }
}
