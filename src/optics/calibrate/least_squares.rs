//! Levenberg–Marquardt, shared by lens and mount.
//!
//! K. Levenberg, "A method for the solution of certain non-linear problems in
//! least squares", 1944; D. W. Marquardt, "An algorithm for least-squares
//! estimation of nonlinear parameters", 1963. The state may be anything that
//! can be moved by a step, so rotations need no awkward parameters.

use nalgebra::{DMatrix, DVector};

/// The sums of the normal equations at a state.
#[derive(Debug, Clone)]
pub(super) struct Normal {
    /// JᵀJ.
    pub hessian: DMatrix<f64>,
    /// Jᵀr.
    pub gradient: DVector<f64>,
    /// rᵀr.
    pub cost: f64,
}

impl Normal {
    pub(super) fn zeros(parameters: usize) -> Self {
        Normal {
            hessian: DMatrix::zeros(parameters, parameters),
            gradient: DVector::zeros(parameters),
            cost: 0.0,
        }
    }

    /// Adds one residual with its few non-zero derivatives (index, value).
    pub(super) fn add(&mut self, residual: f64, row: &[(usize, f64)]) {
        for &(i, a) in row {
            self.gradient[i] += a * residual;
            for &(j, b) in row {
                self.hessian[(i, j)] += a * b;
            }
        }
        self.cost += residual * residual;
    }

    /// Inverse of JᵀJ; `None` if the data do not fix all parameters.
    pub(super) fn inverse(&self) -> Option<DMatrix<f64>> {
        // Scaled to ones on the diagonal: pixels and radians differ by 1e6.
        let scale = self.hessian.diagonal().map(|d| d.sqrt().recip());
        if !scale.iter().all(|s| s.is_finite()) {
            return None;
        }
        let d = DMatrix::from_diagonal(&scale);
        let scaled = &d * &self.hessian * &d;
        let inverse = &d * scaled.cholesky()?.inverse() * &d;
        inverse.iter().all(|x| x.is_finite()).then_some(inverse)
    }
}

/// What can be fitted.
pub(super) trait Problem {
    /// Where the search stands.
    type State: Clone;
    /// Normal equations at a state; `None` where the model does not hold.
    fn normal(&self, at: &Self::State) -> Option<Normal>;
    /// rᵀr at a state; `None` where the model does not hold.
    fn cost(&self, at: &Self::State) -> Option<f64>;
    /// The state a step away.
    fn moved(&self, at: &Self::State, step: &DVector<f64>) -> Self::State;
}

/// Goes downhill from `start` for at most `steps` steps. `None` only if the
/// model does not hold at the start.
pub(super) fn minimise<P: Problem>(
    problem: &P,
    start: P::State,
    steps: usize,
) -> Option<(P::State, Normal)> {
    let mut state = start;
    let mut normal = problem.normal(&state)?;
    let mut damping = 1e-3;
    for _ in 0..steps {
        let mut moved = None;
        while damping < 1e12 {
            let mut damped = normal.hessian.clone();
            for i in 0..damped.nrows() {
                damped[(i, i)] += damping * damped[(i, i)].max(1e-12);
            }
            let step = damped.cholesky().map(|c| c.solve(&(-&normal.gradient)));
            if let Some(step) = step.filter(|s| s.iter().all(|x| x.is_finite())) {
                let trial = problem.moved(&state, &step);
                if problem.cost(&trial).is_some_and(|c| c < normal.cost) {
                    moved = Some(trial);
                    break;
                }
            }
            damping *= 10.0;
        }
        let Some(trial) = moved else { break };
        let Some(next) = problem.normal(&trial) else {
            break;
        };
        let gain = (normal.cost - next.cost) / normal.cost.max(f64::MIN_POSITIVE);
        state = trial;
        normal = next;
        damping = (damping * 0.1).max(1e-12);
        if gain < 1e-12 {
            break;
        }
    }
    Some((state, normal))
}
