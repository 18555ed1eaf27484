//! Amounts after a time under constant linear kinetics: the exponential of the rate matrix, to full relative accuracy.
//!
//! The rate matrix of a compartment model has no negative entry off its diagonal. Shifted by its greatest outflow it has
//! none at all, so its Taylor polynomial and every squaring only add positive terms: no entry ever loses digits, whatever
//! the rates (ka = ke, equal steps of a transit chain, fast beside slow). M. Shao, W. Gao, J. Xue, "Aggressively truncated
//! Taylor series method for accurate computation of exponentials of essentially nonnegative matrices", SIAM J. Matrix
//! Anal. Appl. 35 (2014) 317-338. Polynomial by M. S. Paterson, L. J. Stockmeyer, SIAM J. Comput. 2 (1973) 60-66.

use super::plan::Layout;
use spotwright_numerics::dual::Real;

/// Norm below which degree 16 is exact to working precision.
const NORM: f64 = 0.75;
const BLOCK: usize = 4;

/// 1/j! for j = 0..=16.
const INVERSE_FACTORIAL: [f64; 17] = inverse_factorials();

const fn inverse_factorials() -> [f64; 17] {
    let mut values = [1.0; 17];
    let mut factorial = 1.0;
    let mut j = 1;
    while j < 17 {
        factorial *= j as f64;
        values[j] = 1.0 / factorial;
        j += 1;
    }
    values
}

/// Rates of linear kinetics in one segment.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LinearRates<R> {
    /// Every step of the chain but the last, 1/h.
    pub(crate) transit: R,
    /// Last step, 1/h.
    pub(crate) absorption: R,
    /// Central to outside, 1/h.
    pub(crate) elimination: R,
    /// Central to peripheral, 1/h.
    pub(crate) outward: R,
    /// Peripheral to central, 1/h.
    pub(crate) inward: R,
    /// Concentration for an amount of 1 in the central compartment.
    pub(crate) concentration: R,
}

/// Room for the matrices of one exponential.
#[derive(Debug, Clone, Default)]
pub(crate) struct TransitionScratch<R> {
    powers: [Vec<R>; BLOCK],
    sum: Vec<R>,
    product: Vec<R>,
}

/// exp(A·time) into `out`, row by row, for the state of `layout`.
pub(crate) fn transition<R: Real>(
    layout: &Layout,
    rates: &LinearRates<R>,
    time_h: R,
    scratch: &mut TransitionScratch<R>,
    out: &mut Vec<R>,
) {
    let n = layout.size;
    let zero = R::constant(0.0);
    let a = &mut scratch.powers[0];
    a.clear();
    a.resize(n * n, zero);
    fill_rates(layout, rates, time_h, a);
    let shift = (0..n).fold(0.0, |most: f64, i| most.max(-a[i * n + i].value()));
    let mut norm = 0.0f64;
    for i in 0..n {
        let row: f64 = (0..n).map(|j| a[i * n + j].value()).sum::<f64>() + shift;
        norm = norm.max(row);
    }
    // A long chain's last entries begin at a high power: a smaller norm keeps their tail as small.
    let limit = NORM / (layout.chain_length as f64 / 4.0).max(1.0);
    let squarings = squarings(norm.max(shift), limit);
    let scale = 1.0 / (1u64 << squarings) as f64;
    for i in 0..n {
        for j in 0..n {
            a[i * n + j] = a[i * n + j] * scale;
        }
        a[i * n + i] = a[i * n + i] + shift * scale;
    }
    for power in 1..BLOCK {
        let (low, high) = scratch.powers.split_at_mut(power);
        multiply(layout, &low[0], &low[power - 1], &mut high[0]);
    }
    // Horner over blocks of four: (((c16·M⁴ + …)·M⁴ + …)·M⁴ + …).
    let base = libm::exp(-shift * scale);
    block(scratch, n, 12, base * INVERSE_FACTORIAL[16]);
    for first in [8, 4, 0] {
        multiply(
            layout,
            &scratch.sum,
            &scratch.powers[BLOCK - 1],
            &mut scratch.product,
        );
        std::mem::swap(&mut scratch.sum, &mut scratch.product);
        add_block(scratch, n, first, base);
    }
    for _ in 0..squarings {
        multiply(layout, &scratch.sum, &scratch.sum, &mut scratch.product);
        std::mem::swap(&mut scratch.sum, &mut scratch.product);
    }
    out.clear();
    out.extend_from_slice(&scratch.sum);
    // A rate of infusion and an area stay exactly: a residue of the shift would go on infusing for ever.
    for place in [layout.rate, layout.area].into_iter().flatten() {
        out[place * n + place] = R::constant(1.0);
    }
}

/// `matrix · state` into `out`.
pub(crate) fn apply<R: Real>(layout: &Layout, matrix: &[R], state: &[R], out: &mut [R]) {
    let n = layout.size;
    for i in 0..n {
        let mut sum = matrix[i * n] * state[0];
        for j in 1..=last_column(layout, i) {
            sum = sum + matrix[i * n + j] * state[j];
        }
        out[i] = sum;
    }
}

fn squarings(norm: f64, limit: f64) -> u32 {
    let mut count = 0;
    let mut size = norm;
    // 2⁶⁰ is beyond any time and rate that leaves a finite result.
    while size > limit && count < 60 {
        size *= 0.5;
        count += 1;
    }
    count
}

fn fill_rates<R: Real>(layout: &Layout, rates: &LinearRates<R>, time_h: R, a: &mut [R]) {
    let n = layout.size;
    let (c, first, length) = (layout.central, layout.chain, layout.chain_length);
    for k in 0..length {
        let i = first + k;
        let flow = if k + 1 == length {
            rates.absorption
        } else {
            rates.transit
        } * time_h;
        a[i * n + i] = -flow;
        // The step after the last chain compartment is the central one.
        a[(i + 1) * n + i] = flow;
    }
    let mut outflow = rates.elimination;
    if let Some(p) = layout.peripheral {
        outflow = outflow + rates.outward;
        a[p * n + c] = rates.outward * time_h;
        a[c * n + p] = rates.inward * time_h;
        a[p * n + p] = -(rates.inward * time_h);
    }
    a[c * n + c] = -(outflow * time_h);
    if let Some(u) = layout.rate {
        a[c * n + u] = time_h;
    }
    if let Some(area) = layout.area {
        a[area * n + c] = rates.concentration * time_h;
    }
}

/// The matrix is lower triangular but for the way back from the peripheral to the central compartment.
#[inline]
fn last_column(layout: &Layout, row: usize) -> usize {
    if row == layout.central {
        layout.peripheral.unwrap_or(row)
    } else {
        row
    }
}

#[inline]
fn multiply<R: Real>(layout: &Layout, a: &[R], b: &[R], out: &mut Vec<R>) {
    let n = layout.size;
    out.clear();
    out.resize(n * n, R::constant(0.0));
    for i in 0..n {
        for k in 0..=last_column(layout, i) {
            let factor = a[i * n + k];
            for j in 0..=last_column(layout, k) {
                out[i * n + j] = out[i * n + j] + factor * b[k * n + j];
            }
        }
    }
}

/// sum = top · M⁴ + Σ c_{first+j} Mʲ, j = 0..3.
fn block<R: Real>(scratch: &mut TransitionScratch<R>, n: usize, first: usize, top: f64) {
    scratch.sum.clear();
    let highest = &scratch.powers[BLOCK - 1];
    scratch.sum.extend(highest.iter().map(|v| *v * top));
    let base = top / INVERSE_FACTORIAL[16];
    add_block(scratch, n, first, base);
}

/// Adds base · Σ Mʲ / (first + j)!, j = 0..3.
fn add_block<R: Real>(scratch: &mut TransitionScratch<R>, n: usize, first: usize, base: f64) {
    for i in 0..n {
        scratch.sum[i * n + i] = scratch.sum[i * n + i] + base * INVERSE_FACTORIAL[first];
    }
    for power in 1..BLOCK {
        let factor = base * INVERSE_FACTORIAL[first + power];
        for (slot, value) in scratch.sum.iter_mut().zip(&scratch.powers[power - 1]) {
            *slot = *slot + *value * factor;
        }
    }
}
