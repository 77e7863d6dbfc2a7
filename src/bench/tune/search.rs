//! Tries sets of thresholds on all clips at once, and picks what holds.

use indicatif::ProgressBar;
use rayon::prelude::*;

use crate::bench::score::measure::Tally;
use crate::profile::Profile;

use super::knob::{fits, Knob};
use super::trial::Labelled;

/// A set of thresholds with what it does.
#[derive(Debug, Clone)]
pub struct Point {
    /// The profile with the thresholds.
    pub profile: Profile,
    /// What it does on the clips that were searched.
    pub searched: Tally,
    /// What it does on the clips that were kept back.
    pub held_back: Tally,
}

/// The clips that every set of thresholds is tried on.
#[derive(Debug)]
pub struct Trials {
    /// Clips to search on.
    pub searched: Vec<Labelled>,
    /// Clips to prove the result on.
    pub held_back: Vec<Labelled>,
    /// Counts the runs.
    pub bar: ProgressBar,
}

impl Trials {
    /// Runs every clip under every candidate, on all cores.
    ///
    /// # Errors
    /// A clip or a self-mask cannot be read.
    pub fn run(&self, candidates: &[Profile]) -> anyhow::Result<Vec<Point>> {
        let clips: Vec<&Labelled> = self.searched.iter().chain(&self.held_back).collect();
        let jobs: Vec<(usize, usize)> = (0..candidates.len())
            .flat_map(|c| (0..clips.len()).map(move |k| (c, k)))
            .collect();
        let tallies: Vec<Tally> = jobs
            .par_iter()
            .map(|&(c, k)| {
                let tally = clips[k].trial(&candidates[c]);
                self.bar.inc(1);
                tally
            })
            .collect::<anyhow::Result<_>>()?;
        let sum = |part: &[Tally]| {
            part.iter().fold(Tally::default(), |mut sum, tally| {
                sum.add(tally);
                sum
            })
        };
        let points = candidates.iter().zip(tallies.chunks(clips.len().max(1)));
        Ok(points
            .map(|(profile, tallies)| {
                let (a, b) = tallies.split_at(self.searched.len());
                Point {
                    profile: profile.clone(),
                    searched: sum(a),
                    held_back: sum(b),
                }
            })
            .collect())
    }

    /// Takes back each change of the best point that brings nothing; what it
    /// tries joins the points. A threshold moved for no gain is only a risk.
    ///
    /// # Errors
    /// As [`Trials::run`].
    pub fn take_back_idle_changes(
        &self,
        points: &mut Vec<Point>,
        mut best: usize,
        knobs: &[Knob],
    ) -> anyhow::Result<usize> {
        for knob in knobs {
            let now = knob.get(&points[0].profile);
            let mut profile = points[best].profile.clone();
            if knob.get(&profile) == now {
                continue;
            }
            knob.set(&mut profile, now);
            if !fits(&profile) {
                continue;
            }
            let clips = self.searched.len() + self.held_back.len();
            self.bar.inc_length(clips as u64);
            for point in self.run(&[profile])? {
                let holds = holds(&point, &points[0])
                    && loss(&point.searched) <= loss(&points[best].searched);
                points.push(point);
                if holds {
                    best = points.len() - 1;
                }
            }
        }
        Ok(best)
    }
}

/// Whether `b` sees no less, alarms no more, tells faults and answers no
/// worse, and leaves nothing more unannounced than `a`.
fn no_worse(b: &Tally, a: &Tally) -> bool {
    b.hit >= a.hit
        && b.alarms <= a.alarms
        && b.silent.len() <= a.silent.len()
        && b.caught >= a.caught
        && b.cannot_tell <= a.cannot_tell
}

/// Whether a point is no worse than the present one, on either part.
fn holds(point: &Point, now: &Point) -> bool {
    no_worse(&point.searched, &now.searched) && no_worse(&point.held_back, &now.held_back)
}

/// Misses and alarms weigh alike, frame for frame: a driver who no longer
/// listens misses too.
fn loss(tally: &Tally) -> u64 {
    (tally.due - tally.hit) + tally.alarms
}

/// Index of the best point that is better than the first and holds on the
/// clips kept back. The clips kept back choose nothing, they only refuse.
pub fn propose(points: &[Point]) -> Option<usize> {
    let now = points.first()?;
    (points.iter().enumerate().skip(1))
        .filter(|(_, p)| holds(p, now) && loss(&p.searched) < loss(&now.searched))
        .min_by_key(|(i, p)| (loss(&p.searched), *i))
        .map(|(i, _)| i)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tally(hit: u64, alarms: u64) -> Tally {
        Tally {
            due: 100,
            hit,
            alarms,
            ..Tally::default()
        }
    }

    fn point(searched: Tally, held_back: Tally) -> Point {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/hatch.toml");
        Point {
            profile: Profile::load(path.as_ref()).unwrap(),
            searched,
            held_back,
        }
    }

    #[test]
    fn what_does_not_hold_on_clips_kept_back_is_not_proposed() {
        let now = point(tally(90, 5), tally(90, 5));
        let over_fitted = point(tally(99, 0), tally(89, 5));
        let honest = point(tally(93, 4), tally(90, 5));
        let milder = point(tally(91, 5), tally(95, 0));
        let all = [now.clone(), over_fitted.clone(), milder, honest];
        assert_eq!(propose(&all), Some(3));
        assert_eq!(propose(&[now.clone(), over_fitted]), None);
        assert_eq!(propose(&[now.clone(), now]), None);
    }

    #[test]
    fn more_recall_is_not_bought_with_alarms() {
        let now = point(tally(90, 5), tally(90, 5));
        let louder = point(tally(99, 6), tally(99, 5));
        assert_eq!(propose(&[now, louder]), None);
    }
}
