//! One GPIO output line, through a Raspberry Pi's registers or the kernel's
//! character device.
//!
//! A line is requested off, and set off again before it is released. What a line of
//! the character device does after that is up to the board, so a transistor's base
//! or gate needs a resistor to its off side.

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
pub(crate) use chip::refuse_busy;

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
    pub(crate) fn refuse_busy(settings: &LineSettings) -> anyhow::Result<()> {
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
    use rppal::gpio::{Gpio, IoPin, Mode};
    use rppal::pwm::{Channel, Pwm};

    use super::*;

    struct PiLine {
        pin: IoPin,
        /// The hardware PWM that the board's set-up has led to this pin, not yet
        /// taken, and the function of the pin that shows it.
        led_here: Option<(Channel, Mode)>,
        pwm: Option<(Pwm, Mode)>,
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
        refuse_busy(settings)?;
        let had = || format!("{name}: cannot be had; check the number");
        let pin = gpio.get(number).with_context(had)?;
        let led_here = pwm_of(number, pin.mode());
        // The level comes before the direction, so that nothing sounds. The pin stays
        // an output after us: it would float otherwise.
        let mut pin = if settings.active_low {
            pin.into_output_high()
        } else {
            pin.into_output_low()
        };
        pin.set_reset_on_drop(false);
        drop(pin);
        let pin = gpio.get(number).with_context(had)?;
        Ok(Box::new(PiLine {
            pin: pin.into_io(Mode::Output),
            led_here,
            pwm: None,
            active_low: settings.active_low,
            name,
        }))
    }

    /// The PWM channel that a pin with this function shows. BCM2835 ARM Peripherals,
    /// section 6.2, table 6-31; functions of the Raspberry Pi 5 (channels 2 and 3) from
    /// memory. Where this knows none the wave is timed, which sounds the same.
    fn pwm_of(pin: u8, function: Mode) -> Option<(Channel, Mode)> {
        let channel = match (pin, function) {
            (12, Mode::Alt0) | (18, Mode::Alt5) => Channel::Pwm0,
            (13, Mode::Alt0) | (19, Mode::Alt5) => Channel::Pwm1,
            (18, Mode::Alt3) => Channel::Pwm2,
            (19, Mode::Alt3) => Channel::Pwm3,
            _ => return None,
        };
        Some((channel, function))
    }

    /// Switches a PWM off. The kernel refuses that of one that has no period yet.
    fn hush(pwm: &Pwm) -> rppal::pwm::Result<()> {
        if pwm.is_enabled()? {
            pwm.disable()?;
        }
        Ok(())
    }

    impl PiLine {
        /// Also silences what a run that was killed may have left sounding.
        fn take_pwm(&mut self) {
            if let Some((channel, function)) = self.led_here.take() {
                match Pwm::new(channel) {
                    Ok(pwm) => self.pwm = Some((pwm, function)),
                    Err(e) => tracing::debug!("{}: {e}; timing the wave", self.name),
                }
            }
        }

        /// Silent. A PWM that is off holds its pin low, so it is left shown there: the
        /// next start finds it so, even after a kill in a pause. What is active low, or
        /// shows a PWM that refuses, is held by the pin itself.
        fn rest(&mut self) -> anyhow::Result<()> {
            let Some((pwm, function)) = &self.pwm else {
                let done = self.pin.clear_pwm();
                self.level(false);
                return done.with_context(|| format!("{}: timed PWM failed", self.name));
            };
            let (done, function) = (hush(pwm), *function);
            self.level(false);
            let shown = done.is_ok() && !self.active_low;
            self.pin
                .set_mode(if shown { function } else { Mode::Output });
            done.with_context(|| format!("{}: hardware PWM failed", self.name))
        }

        fn level(&mut self, on: bool) {
            if on == self.active_low {
                self.pin.set_low();
            } else {
                self.pin.set_high();
            }
        }
    }

    impl OutputLine for PiLine {
        fn set(&mut self, on: bool) -> anyhow::Result<()> {
            self.level(on);
            Ok(())
        }

        fn wave(&mut self, hz: Option<f64>) -> anyhow::Result<bool> {
            self.take_pwm();
            let Some(hz) = hz else {
                self.rest()?;
                return Ok(true);
            };
            let Some((pwm, function)) = &self.pwm else {
                self.pin
                    .set_pwm_frequency(hz, 0.5)
                    .with_context(|| format!("{}: timed PWM failed", self.name))?;
                return Ok(true);
            };
            pwm.set_frequency(hz, 0.5)
                .and_then(|()| pwm.enable())
                .with_context(|| format!("{}: hardware PWM failed", self.name))?;
            self.pin.set_mode(*function);
            Ok(true)
        }

        fn name(&self) -> &str {
            &self.name
        }
    }

    impl Drop for PiLine {
        fn drop(&mut self) {
            let _ = self.rest();
            self.pin.set_reset_on_drop(false);
        }
    }

    #[cfg(test)]
    mod tests {
        use super::*;

        #[test]
        fn only_a_pin_that_shows_a_pwm_gets_its_wave_from_it() {
            assert_eq!(pwm_of(18, Mode::Alt5), Some((Channel::Pwm0, Mode::Alt5)));
            assert_eq!(pwm_of(13, Mode::Alt0), Some((Channel::Pwm1, Mode::Alt0)));
            for pin in 0..=53 {
                assert_eq!(pwm_of(pin, Mode::Input), None);
                assert_eq!(pwm_of(pin, Mode::Output), None);
            }
            assert_eq!(pwm_of(12, Mode::Alt5), None);
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
