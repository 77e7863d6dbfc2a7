//! What is believed of the vehicle's speed, picture by picture.
//!
//! A single pair of pictures of smooth ground (a garage's floor, snow, lamplight)
//! agrees with many speeds almost as well as with the true one. A vehicle has
//! mass, so what earlier pictures told narrows what this one can mean: a Bayes
//! filter over a grid of speeds, with rest as a state of its own (S. Thrun,
//! W. Burgard, D. Fox, Probabilistic Robotics, 2005, section 4.1).

/// Slowest (driving off forward), and the grid's step; m/s.
const SLOWEST: f32 = -1.0;
const STEP: f32 = 0.1;
/// Number of speeds in the grid: up to reversing at 3.5 m/s.
pub const SPEEDS: usize = 46;
/// Usual change of speed, m/s² (standard deviation), and the share of any other.
const USUAL_MPS2: f32 = 2.0;
const ANY: f32 = 2e-3;
/// How soon a vehicle at rest moves off, and one that creeps comes to rest, per
/// second; and the speed from which that counts as creeping, m/s.
const OFF: f32 = 0.5;
const HALT: f32 = 2.0;
const CREEP: f32 = 0.45;

/// Probability from which rest, or one speed, is sure.
const SURELY_RESTS: f32 = 0.95;
const SURELY_MOVES: f32 = 0.8;

/// The belief: a probability for rest and for each speed.
#[derive(Debug, Clone)]
pub(super) struct Pace {
    rest: f32,
    speeds: [f32; SPEEDS],
}

/// The speed of place `n` of the grid, m/s.
pub(super) fn speed(n: usize) -> f32 {
    SLOWEST + STEP * n as f32
}

/// The place of the grid that is nearest to a speed, m/s.
pub(super) fn nearest(mps: f32) -> usize {
    ((mps - SLOWEST) / STEP)
        .round()
        .clamp(0.0, (SPEEDS - 1) as f32) as usize
}

impl Pace {
    /// A vehicle that is likely to stand still.
    pub fn new() -> Self {
        Pace {
            rest: 0.5,
            speeds: [0.5 / SPEEDS as f32; SPEEDS],
        }
    }

    /// What is to be expected `dt` seconds on.
    pub fn pass(&mut self, dt: f32) {
        let reach = (USUAL_MPS2 * dt / STEP).max(0.3);
        let width = ((3.0 * reach).ceil() as usize).min(SPEEDS - 1);
        let bell: [f32; SPEEDS] =
            std::array::from_fn(|n| (-0.5 * (n as f32 / reach).powi(2)).exp());
        let kernel = &bell[..=width];
        let sum = kernel[0] + 2.0 * kernel[1..].iter().sum::<f32>();
        let mut next = [0.0f32; SPEEDS];
        for (n, p) in self.speeds.iter().enumerate() {
            for (off, k) in kernel.iter().enumerate() {
                let share = p * k / sum;
                next[(n + off).min(SPEEDS - 1)] += share;
                if off > 0 {
                    next[n.saturating_sub(off)] += share;
                }
            }
        }
        let slow = |n: usize| (1.0 - speed(n).abs() / CREEP).max(0.0);
        let halt = 1.0 - (-HALT * dt).exp();
        let off = 1.0 - (-OFF * dt).exp();
        let all: f32 = (0..SPEEDS).map(slow).sum();
        let mut stopped = 0.0;
        for (n, p) in next.iter_mut().enumerate() {
            let stops = *p * halt * slow(n);
            stopped += stops;
            *p += off * self.rest * slow(n) / all - stops;
        }
        let rest = self.rest * (1.0 - off) + stopped;
        self.rest = rest * (1.0 - ANY) + 0.5 * ANY;
        for (p, n) in self.speeds.iter_mut().zip(next) {
            *p = n * (1.0 - ANY) + 0.5 * ANY / SPEEDS as f32;
        }
    }

    /// Takes in how likely the pictures are at each speed (natural logarithms).
    pub fn learn(&mut self, likely: &[f32; SPEEDS]) {
        let best = likely.iter().copied().fold(f32::MIN, f32::max);
        let zero = nearest(0.0);
        self.rest *= (likely[zero] - best).exp();
        for (p, l) in self.speeds.iter_mut().zip(likely) {
            *p *= (l - best).exp();
        }
        let sum = self.rest + self.speeds.iter().sum::<f32>();
        if sum > 1e-30 {
            self.rest /= sum;
            self.speeds.iter_mut().for_each(|p| *p /= sum);
        } else {
            *self = Pace::new();
        }
    }

    /// Whether nothing further need be asked.
    pub fn sure(&self) -> bool {
        self.rest > SURELY_RESTS || self.likeliest().1 * (1.0 - self.rest) > SURELY_MOVES
    }

    /// Probability of rest.
    pub fn rest(&self) -> f32 {
        self.rest
    }

    /// The likeliest speed other than rest, m/s, and how much of the belief in
    /// motion stands within two steps of it.
    pub fn likeliest(&self) -> (f32, f32) {
        let (n, _) =
            self.speeds.iter().enumerate().fold(
                (0, 0.0),
                |best, (n, &p)| if p > best.1 { (n, p) } else { best },
            );
        let (low, high) = (n.saturating_sub(2), (n + 2).min(SPEEDS - 1));
        let mut near = 0.0;
        let mut mean = 0.0;
        for (k, p) in self.speeds.iter().enumerate().take(high + 1).skip(low) {
            near += p;
            mean += p * speed(k);
        }
        (mean / near.max(1e-30), near / (1.0 - self.rest).max(1e-30))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const DT: f32 = 1.0 / 15.0;

    /// What pictures say that agree best with `mps`, by so much.
    fn likely(mps: f32, by: f32) -> [f32; SPEEDS] {
        std::array::from_fn(|n| by * (-0.5 * ((speed(n) - mps) / 0.2).powi(2)).exp())
    }

    #[test]
    fn weak_signs_add_up_to_a_sure_speed() {
        let mut pace = Pace::new();
        pace.pass(DT);
        pace.learn(&likely(0.6, 1.0));
        assert!(!pace.sure(), "one pair of pictures is not enough");
        for _ in 0..14 {
            pace.pass(DT);
            pace.learn(&likely(0.6, 1.0));
        }
        let (mps, share) = pace.likeliest();
        assert!((mps - 0.6).abs() < 0.1 && pace.sure(), "{mps}, {share}");
        assert!(pace.rest() < 0.01, "{}", pace.rest());
    }

    #[test]
    fn a_vehicle_at_rest_stays_there_while_pictures_say_nothing_or_leap() {
        let mut pace = Pace::new();
        for _ in 0..8 {
            pace.pass(DT);
            pace.learn(&likely(0.0, 3.0));
        }
        assert!(pace.rest() > 0.8, "{}", pace.rest());
        for n in 0..30 {
            pace.pass(DT);
            // Noise agrees with any speed a little, each time with another.
            pace.learn(&likely([2.1, -0.6, 0.0, 3.2, 0.9][n % 5], 1.0));
        }
        assert!(pace.rest() > 0.5, "{}", pace.rest());
    }

    #[test]
    fn it_follows_a_vehicle_that_moves_off_brakes_and_stops() {
        let mut pace = Pace::new();
        let mut mps = 0.0f32;
        for n in 0..90 {
            let now = n as f32 * DT;
            mps = (1.25 * (now - 1.0).max(0.0))
                .min(1.0)
                .min(2.0 * (4.0 - now))
                .max(0.0);
            pace.pass(DT);
            pace.learn(&likely(mps, 4.0));
            if mps > 0.3 {
                let (told, _) = pace.likeliest();
                assert!((told - mps).abs() < 0.2, "{told} at {now}, not {mps}");
                assert!(pace.rest() < 0.5, "at rest at {now}");
            }
        }
        assert!(mps == 0.0 && pace.rest() > 0.8, "{}", pace.rest());
    }
}
