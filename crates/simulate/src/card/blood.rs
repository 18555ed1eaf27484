//! Colour and density of dried blood: Kubelka–Munk reflectance of paper holding haemoglobin.
//!
//! `R = 1 + K/S − sqrt((K/S)² + 2·K/S)` (Kubelka & Munk 1931, Z Tech Phys 12:593), K/S of the paper and of the blood
//! adding up. Blood browns over days as oxyhaemoglobin turns to methaemoglobin.

/// K/S of blank paper in red, green and blue.
const PAPER_K_S: [f64; 3] = [0.010, 0.011, 0.014];
/// K/S of oxyhaemoglobin at haematocrit 0.41 and 0.45 µL/mm² (chosen by eye: fresh dried blood is a deep red).
const OXY_K_S: [f64; 3] = [1.25, 17.0, 19.0];
/// The same of methaemoglobin and what follows it: less red, more brown.
const MET_K_S: [f64; 3] = [3.6, 15.0, 24.0];
/// Dark brown of a spot that was heated.
const HEATED_K_S: [f64; 3] = [11.0, 19.0, 26.0];
/// Green-grey of an old, damp spot.
const GREENISH_K_S: [f64; 3] = [5.2, 5.0, 9.5];
/// Days in which all but 1/e of the haemoglobin has turned (practice: browning for days to weeks).
const BROWNING_D: f64 = 9.0;
/// Light that the surface itself sends back.
const SURFACE: f64 = 0.010;

/// Largest relative amount in the table.
const MOST: f32 = 8.0;
const STEPS: usize = 256;

/// Optical density of blood over blank paper by relative amount of blood, in red, green and blue.
#[derive(Clone)]
pub(crate) struct Blood {
    density: Vec<[f32; 3]>,
}

/// What a spot has become.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Tint {
    /// By its age alone.
    Aged,
    /// Heated: the share of the way to dark brown.
    Heated(f64),
    /// Old and damp: the share of the way to green-grey.
    Greenish(f64),
}

impl Blood {
    /// Blood of this haematocrit, with this load (µL/mm²) at relative amount 1, this many days old.
    pub(crate) fn new(haematocrit: f64, load_ul_per_mm2: f64, age_d: f64, tint: Tint) -> Self {
        let turned = 1.0 - libm::exp(-age_d / BROWNING_D);
        let strength = haematocrit / 0.41 * load_ul_per_mm2 / 0.45;
        let mut k_s = [0.0; 3];
        for channel in 0..3 {
            let aged = OXY_K_S[channel] + (MET_K_S[channel] - OXY_K_S[channel]) * turned;
            let (other, share) = match tint {
                Tint::Aged => (aged, 0.0),
                Tint::Heated(share) => (HEATED_K_S[channel], share),
                Tint::Greenish(share) => (GREENISH_K_S[channel], share),
            };
            k_s[channel] = strength * (aged + (other - aged) * share);
        }
        Self::of(k_s)
    }

    /// Serum, plasma or water-borne stain: pale yellow.
    pub(crate) fn serum() -> Self {
        Self::of([0.004, 0.014, 0.075])
    }

    fn of(k_s: [f64; 3]) -> Self {
        let density = (0..=STEPS)
            .map(|step| {
                let amount = f64::from(MOST) * step as f64 / STEPS as f64;
                let mut density = [0.0f32; 3];
                for channel in 0..3 {
                    let with = seen(PAPER_K_S[channel] + amount * k_s[channel]);
                    density[channel] = libm::log10(seen(PAPER_K_S[channel]) / with) as f32;
                }
                density
            })
            .collect();
        Self { density }
    }

    /// Optical density at a relative amount.
    #[inline]
    pub(crate) fn density(&self, amount: f32) -> [f32; 3] {
        let place = (amount.clamp(0.0, MOST)) * (STEPS as f32 / MOST);
        let step = (place as usize).min(STEPS - 1);
        let t = place - step as f32;
        let (a, b) = (&self.density[step], &self.density[step + 1]);
        [
            a[0] + (b[0] - a[0]) * t,
            a[1] + (b[1] - a[1]) * t,
            a[2] + (b[2] - a[2]) * t,
        ]
    }
}

fn seen(k_s: f64) -> f64 {
    SURFACE + (1.0 - SURFACE) * (1.0 + k_s - (k_s * k_s + 2.0 * k_s).sqrt())
}

/// Transmission of an optical density: 10^(−density).
#[inline]
pub(crate) fn transmission(density: f32) -> f32 {
    // 10^x = 2^(x·log2 10).
    fast_exp2(-density * std::f32::consts::LOG2_10)
}

/// 2^x to 4·10⁻⁵ for x in [−40, 40]: exact power of two times a polynomial. Only additions and multiplications, so
/// the same bits on every machine.
#[inline]
fn fast_exp2(x: f32) -> f32 {
    let x = x.clamp(-40.0, 40.0);
    let whole = x.floor();
    let f = x - whole;
    let p = 1.0
        + f * (std::f32::consts::LN_2
            + f * (0.240_226_5 + f * (0.055_504_1 + f * (0.009_618_1 + f * 0.001_504_1))));
    f32::from_bits((((whole as i32) + 127) as u32) << 23) * p
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn transmission_is_a_power_of_ten() {
        for step in 0..400 {
            let density = step as f32 / 100.0;
            let exact = libm::pow(10.0, -f64::from(density));
            assert!(
                (f64::from(transmission(density)) / exact - 1.0).abs() < 1e-4,
                "{density}"
            );
        }
    }

    #[test]
    fn old_blood_is_browner_than_fresh_and_dense_blood_darker_than_thin() {
        let red_share = |blood: &Blood| blood.density(1.0)[0] / blood.density(1.0)[1];
        let fresh = Blood::new(0.41, 0.45, 0.1, Tint::Aged);
        let old = Blood::new(0.41, 0.45, 30.0, Tint::Aged);
        // practice-evidence: "blood browns (oxyHb → metHb) for days": red light is absorbed more.
        assert!(red_share(&old) > 1.2 * red_share(&fresh));
        let thin = Blood::new(0.25, 0.45, 0.1, Tint::Aged);
        assert!(thin.density(1.0)[0] < fresh.density(1.0)[0]);
    }
}
