//! Surfaces of standing things: colour, pattern, grain and gloss.

use super::noise::{hash, octaves, smoothstep, unit, whole};
use super::shape::V3;

/// How a surface looks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Paint {
    /// Linear RGB reflectance, 0..1.
    pub colour: V3,
    /// What is on it.
    pub pattern: Pattern,
    /// Share of mirror reflection head-on (0.04 is varnish).
    pub gloss: f32,
    /// Contrast of its texture.
    pub grain: f32,
    /// Light it gives off itself.
    pub glow: V3,
}

/// What is on a surface.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pattern {
    /// Nothing.
    Plain,
    /// A horizontal band from one height to another.
    Band { from_m: f32, to_m: f32, colour: V3 },
    /// Courses of bricks with pale joints.
    Brick,
    /// Upright boards.
    Boards,
}

impl Paint {
    /// Matt, with a faint grain.
    pub fn matt(colour: V3) -> Paint {
        Paint {
            colour,
            pattern: Pattern::Plain,
            gloss: 0.0,
            grain: 0.12,
            glow: V3::zeros(),
        }
    }

    /// Smooth and shiny, as car paint or plastic.
    pub fn shiny(colour: V3) -> Paint {
        Paint {
            gloss: 0.05,
            grain: 0.03,
            ..Paint::matt(colour)
        }
    }

    /// With a pattern.
    pub fn with(self, pattern: Pattern) -> Paint {
        Paint { pattern, ..self }
    }

    /// With this contrast of texture.
    pub fn grained(self, grain: f32) -> Paint {
        Paint { grain, ..self }
    }

    /// Reflectance at a point of the thing's own frame.
    pub fn at(&self, p: &V3, n: &V3, footprint_m: f32, seed: u32) -> V3 {
        // Unroll upright faces so that the texture does not smear on any side.
        let (u, v) = if n.z.abs() > 0.7 {
            (p.x, p.y)
        } else {
            (p.x * n.y - p.y * n.x, p.z)
        };
        let mut c = self.colour;
        match self.pattern {
            Pattern::Plain => {}
            Pattern::Band {
                from_m,
                to_m,
                colour,
            } => {
                let e = footprint_m.max(1e-4) * 0.5;
                let k = smoothstep(from_m - e, from_m + e, p.z)
                    * (1.0 - smoothstep(to_m - e, to_m + e, p.z));
                c += (colour - c) * k;
            }
            Pattern::Brick => {
                let row = whole(v / 0.075);
                let shift = if row & 1 == 0 { 0.0 } else { 0.1125 };
                let col = whole((u + shift) / 0.225);
                let fu = (u + shift) - col as f32 * 0.225;
                let fv = v - row as f32 * 0.075;
                let e = 0.003 + footprint_m * 0.5;
                let inside = smoothstep(0.005 - e, 0.005 + e, fu.min(0.225 - fu))
                    * smoothstep(0.005 - e, 0.005 + e, fv.min(0.075 - fv));
                let tone = 0.75 + 0.5 * unit(hash(row, col, seed));
                c = c * tone * inside + V3::new(0.42, 0.40, 0.37) * (1.0 - inside);
            }
            Pattern::Boards => {
                let col = whole(u / 0.12);
                let fu = u - col as f32 * 0.12;
                let e = 0.003 + footprint_m * 0.5;
                let inside = smoothstep(0.004 - e, 0.004 + e, fu.min(0.12 - fu));
                let tone = 0.8 + 0.4 * unit(hash(col, 7, seed));
                c *= tone * (0.15 + 0.85 * inside);
            }
        }
        let g = octaves(
            u + 0.37 * p.x,
            v,
            &[
                (0.004, 0.5),
                (0.011, 0.6),
                (0.04, 0.6),
                (0.17, 0.7),
                (0.6, 0.5),
            ],
            footprint_m,
            seed,
        );
        c * (1.0 + self.grain * g).max(0.05)
    }
}
