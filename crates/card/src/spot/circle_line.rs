//! The printed circle's line as ink laid over paper and blood alike.
//!
//! Ink lets a share of the light through whatever lies under it, so what the line takes is divided out of the light where
//! the line runs, and blood that ends beside, under or across the line keeps its own edge. The line's shape is read from
//! its outer half, which blood of a well-placed drop leaves free, and mirrored: blurred lines are symmetric. How strong
//! it is, is read round the circle, for dashed and broken lines.

use super::field::{BLUE, GREEN};
use crate::patch::{Patch, flag};
use spotwright_domain::card::PrintedCircle;

const SECTORS: usize = 120;
/// Bins across the line, from `-REACH_MM` to `REACH_MM` about the circle.
const BINS: usize = 40;
const REACH_MM: f64 = 1.0;
/// Half the width of the band in which the line is looked for (mm).
const NEAR_MM: f64 = 0.55;
const BIN_MM: f64 = 2.0 * REACH_MM / BINS as f64;
/// Bins of the mirrored half.
const HALF: usize = 13;
/// Bins outside the line that must be paper: from 0.6 mm on.
const OUTSIDE: core::ops::Range<usize> = 32..BINS;
/// Bins inside the line that must be paper for both halves to be seen: up to 0.45 mm.
const INSIDE: core::ops::Range<usize> = 0..11;
/// Light let through below which nothing is read there.
const HIDDEN_BELOW: f32 = 0.15;
/// Light let through below which colours are not compared.
const DIM_BELOW: f32 = 0.5;
/// Light taken from which a place counts as printed.
const PRINTED_FROM: f32 = 0.02;

/// The line of one circle.
#[derive(Debug, Clone)]
pub(crate) struct CircleLine {
    /// Middle of the circle (columns, rows of the patch).
    centre: [f64; 2],
    pixels_per_mm: f64,
    /// Radius of the line's middle (mm).
    radius_mm: f64,
    /// Share of light the line takes by distance from its middle, where it is whole.
    taken: [f32; HALF + 1],
    /// The same of red and of green light.
    colours_taken: [[f32; HALF + 1]; 2],
    /// Strength by direction, 1 where it is whole.
    strength: [f32; SECTORS],
    /// Distance from which it takes nothing (mm).
    reach_mm: f64,
    /// Squared distances from the middle between which it takes light, and between which it is looked for (pixels²).
    takes_px2: [f64; 2],
    near_px2: [f64; 2],
}

/// A place the line hides: the readable places on either side (columns, rows) and the share of the way between.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Hidden {
    pub(crate) inner: [f64; 2],
    pub(crate) outer: [f64; 2],
    pub(crate) share: f32,
}

impl CircleLine {
    /// Reads the line; `None` when blood, glare or an edge hides most of the paper outside it.
    pub(crate) fn of(patch: &Patch, circle: &PrintedCircle) -> Option<Self> {
        let mut seen = Seen::of(patch, circle);
        let outside = (0..SECTORS)
            .filter(|&sector| seen.outer_loss(sector).is_some())
            .count();
        if outside < SECTORS / 4 {
            return None;
        }
        // Where blood covers the line and more, the line is not seen.
        let mut around: Vec<(usize, f32)> = (0..SECTORS)
            .filter(|&sector| !seen.is_covered(sector))
            .filter_map(|sector| seen.outer_loss(sector).map(|loss| (sector, loss)))
            .collect();
        if around.len() < SECTORS / 10 {
            return None;
        }
        // The circle is printed, and found, a few hundredths of a millimetre off: the line's own middle counts.
        let offset_mm = seen.offset_mm(&around);
        seen.follow(offset_mm);
        for (sector, loss) in &mut around {
            *loss = seen.outer_loss(*sector).unwrap_or(*loss);
        }
        let mut sorted: Vec<f32> = around.iter().map(|(_, loss)| *loss).collect();
        sorted.sort_unstable_by(f32::total_cmp);
        let quantile = |share: f64| sorted[((sorted.len() - 1) as f64 * share) as usize];
        let mut line = Self {
            centre: patch.to_pixel(circle.centre_mm),
            pixels_per_mm: patch.pixels_per_mm,
            radius_mm: circle.diameter_mm / 2.0,
            taken: [0.0; HALF + 1],
            colours_taken: [[0.0; HALF + 1]; 2],
            strength: [0.0; SECTORS],
            reach_mm: 0.0,
            takes_px2: [0.0; 2],
            near_px2: [0.0; 2],
        };
        line.near_px2 = line.band(NEAR_MM);
        if quantile(0.7) < 0.015 {
            return Some(line);
        }
        // Blood over part of the outer half makes it darker and wider: the palest sectors show a whole line alone, the
        // narrowest dashes a dashed one.
        let whole = quantile(0.1) > 0.3 * quantile(0.8);
        if whole {
            let (low, high) = (quantile(0.05), quantile(0.35));
            around.retain(|(_, loss)| (low..=high).contains(loss));
        } else {
            seen.keep_narrowest(&mut around);
        }
        line.radius_mm += offset_mm[0];
        line.centre[0] += offset_mm[1] * patch.pixels_per_mm;
        line.centre[1] += offset_mm[2] * patch.pixels_per_mm;
        line.read_shape(&seen, &around);
        line.read_strength(&seen, whole);
        line.near_px2 = line.band(NEAR_MM);
        line.takes_px2 = line.band(line.reach_mm);
        Some(line)
    }

    fn band(&self, half_mm: f64) -> [f64; 2] {
        [self.radius_mm - half_mm, self.radius_mm + half_mm].map(|radius| {
            let px = radius.max(0.0) * self.pixels_per_mm;
            px * px
        })
    }

    /// Mean of the outer half, made to fall from the middle outwards.
    fn read_shape(&mut self, seen: &Seen, sectors: &[(usize, f32)]) {
        let mut least = 0.98_f32;
        for k in 0..=HALF {
            let taken = seen
                .mean_loss(sectors, k as f64 * BIN_MM)
                .unwrap_or(0.0)
                .clamp(0.0, least);
            least = taken;
            self.taken[k] = taken;
            for (channel, colour) in self.colours_taken.iter_mut().enumerate() {
                colour[k] = seen
                    .mean_colour_loss(sectors, k as f64 * BIN_MM, channel)
                    .clamp(0.0, 0.98);
            }
        }
        let end = (0..=HALF).find(|k| self.taken[*k] < 0.012).unwrap_or(HALF);
        self.taken[end..].fill(0.0);
        for colour in &mut self.colours_taken {
            colour[end..].fill(0.0);
        }
        self.reach_mm = end as f64 * BIN_MM;
    }

    /// Strength by direction: the line's shape fitted to the outer half by least squares, or 1 for a whole line. None where
    /// blood covers the line: there is no edge to be found, and nothing to be divided out.
    fn read_strength(&mut self, seen: &Seen, whole: bool) {
        let mut found: [Option<f32>; SECTORS] = [None; SECTORS];
        for (sector, found) in found.iter_mut().enumerate() {
            if seen.is_covered(sector) || seen.outer_loss(sector).is_none() {
                *found = Some(0.0);
                continue;
            }
            if whole {
                *found = Some(1.0);
                continue;
            }
            let (mut up, mut down) = (0.0_f32, 0.0_f32);
            for k in 0..HALF {
                if let Some(loss) = seen.loss(sector, k as f64 * BIN_MM) {
                    up += loss * self.taken[k];
                    down += self.taken[k] * self.taken[k];
                }
            }
            if down > 0.0 {
                *found = Some((up / down).clamp(0.0, 1.0));
            }
        }
        for sector in 0..SECTORS {
            self.strength[sector] = (0..=SECTORS / 2)
                .find_map(|away| {
                    found[(sector + away) % SECTORS].or(found[(sector + SECTORS - away) % SECTORS])
                })
                .unwrap_or(0.0);
        }
    }

    /// Whether a place (columns, rows of the patch) lies where a circle's line is looked for.
    pub(crate) fn is_near(&self, place: [f64; 2]) -> bool {
        let (dx, dy) = (place[0] - self.centre[0], place[1] - self.centre[1]);
        let square = dx * dx + dy * dy;
        square > self.near_px2[0] && square < self.near_px2[1]
    }

    /// Share of light taken at a place.
    pub(crate) fn taken(&self, place: [f64; 2]) -> f32 {
        let whole = self.whole_taken(place);
        if whole <= 0.0 {
            return 0.0;
        }
        whole * self.strength_at(place[0] - self.centre[0], place[1] - self.centre[1])
    }

    /// Share of light a whole line takes at a place.
    fn whole_taken(&self, place: [f64; 2]) -> f32 {
        self.across(place)
            .map_or(0.0, |(bin, t)| between(&self.taken, bin, t))
    }

    /// Bin across the line and the share of the way to the next one; `None` where the line takes nothing.
    fn across(&self, place: [f64; 2]) -> Option<(usize, f32)> {
        let (dx, dy) = (place[0] - self.centre[0], place[1] - self.centre[1]);
        let square = dx * dx + dy * dy;
        if square >= self.takes_px2[1] || square <= self.takes_px2[0] {
            return None;
        }
        let away = (square.sqrt() / self.pixels_per_mm - self.radius_mm).abs() / BIN_MM;
        let bin = (away as usize).min(HALF - 1);
        Some((bin, (away - bin as f64) as f32))
    }

    /// Shares of red and green light let through at a place.
    fn colours_through(&self, place: [f64; 2]) -> [f32; 2] {
        let Some((bin, t)) = self.across(place) else {
            return [1.0; 2];
        };
        let strength = self.strength_at(place[0] - self.centre[0], place[1] - self.centre[1]);
        [0, 1].map(|channel| 1.0 - strength * between(&self.colours_taken[channel], bin, t))
    }

    /// Share of light let through at a place; `None` where too little comes through to be read.
    pub(crate) fn through(&self, place: [f64; 2]) -> Option<f32> {
        let through = 1.0 - self.taken(place);
        (through >= HIDDEN_BELOW).then_some(through)
    }

    fn strength_at(&self, dx: f64, dy: f64) -> f32 {
        // A whole turn more keeps it positive.
        let turn = (turn(dx, dy) + 1.0) * SECTORS as f64 - 0.5;
        let first = turn as usize;
        let t = (turn - first as f64) as f32;
        self.strength[first % SECTORS] * (1.0 - t) + self.strength[(first + 1) % SECTORS] * t
    }

    /// Where to read instead of a place the line hides; `None` where it can be read.
    pub(crate) fn hidden(&self, place: [f64; 2]) -> Option<Hidden> {
        if self.through(place).is_some() {
            return None;
        }
        let (dx, dy) = (place[0] - self.centre[0], place[1] - self.centre[1]);
        let strength = self.strength_at(dx, dy);
        let width_bins = (0..HALF)
            .find(|k| 1.0 - strength * self.taken[*k] >= HIDDEN_BELOW)
            .unwrap_or(HALF);
        let width = width_bins as f64 * BIN_MM;
        let length = (dx * dx + dy * dy).sqrt().max(1e-9);
        let at = |radius_mm: f64| {
            let scale = radius_mm * self.pixels_per_mm / length;
            [self.centre[0] + dx * scale, self.centre[1] + dy * scale]
        };
        let away = length / self.pixels_per_mm - self.radius_mm;
        let share = ((away + width) / (2.0 * width).max(1e-9)).clamp(0.0, 1.0);
        Some(Hidden {
            inner: at(self.radius_mm - width),
            outer: at(self.radius_mm + width),
            share: share as f32,
        })
    }

    /// What a square of pixels says with the line divided out.
    pub(crate) fn cell(&self, patch: &Patch, column: usize, row: usize, side: usize) -> Cell {
        let (mut mix, mut read) = (0.0_f32, 0_usize);
        let (mut colours, mut bright) = ([0.0_f32; 2], 0_usize);
        let mut printed = false;
        for y in row..row + side {
            for x in column..column + side {
                let place = [x as f64, y as f64];
                let whole = self.whole_taken(place);
                printed |= whole > PRINTED_FROM;
                let through = if whole > 0.0 { 1.0 - self.taken(place) } else { 1.0 };
                if through >= HIDDEN_BELOW {
                    let pixel = patch.reflectance[y * patch.width + x];
                    mix += (GREEN * pixel[1] + BLUE * pixel[2]) / through;
                    read += 1;
                    if through >= DIM_BELOW {
                        let [red, green] = self.colours_through(place);
                        colours[0] += pixel[0] / red;
                        colours[1] += pixel[1] / green;
                        bright += 1;
                    }
                }
            }
        }
        Cell {
            mix: (2 * read >= side * side).then(|| mix / read as f32),
            colours: (2 * bright >= side * side).then(|| colours.map(|c| c / bright as f32)),
            printed,
        }
    }
}

/// A square of pixels near the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Cell {
    /// Mean of the mix with the line divided out; `None` where the line hides most of the square.
    pub(crate) mix: Option<f32>,
    /// Mean red and green light with the line divided out; `None` where the line leaves too little for colours.
    pub(crate) colours: Option<[f32; 2]>,
    /// Whether a line runs there, seen or under blood.
    pub(crate) printed: bool,
}

/// Mean light by direction and distance from the circle.
struct Seen {
    light: Vec<[f32; BINS]>,
    /// Mean red and green light likewise.
    colours: [Vec<[f32; BINS]>; 2],
    paper: [Option<f32>; SECTORS],
    /// Mean direction of each sector.
    direction: Vec<[f64; 2]>,
    /// Distance of the line's middle from the circle (mm), by sector.
    middle_mm: [f64; SECTORS],
}

impl Seen {
    fn of(patch: &Patch, circle: &PrintedCircle) -> Self {
        let centre = patch.to_pixel(circle.centre_mm);
        let radius = circle.diameter_mm / 2.0;
        let outer = (radius + REACH_MM) * patch.pixels_per_mm;
        let inner = (radius - REACH_MM).max(0.0) * patch.pixels_per_mm;
        // Every other pixel, as on a chessboard, fills the bins of a fine photograph.
        let step = if patch.pixels_per_mm > 14.0 { 2 } else { 1 };
        let (inner_px2, outer_px2) = (inner * inner, outer * outer);
        let mut sums = vec![[0.0_f32; BINS]; SECTORS];
        let mut colours = [sums.clone(), sums.clone()];
        let mut counts = vec![[0_u16; BINS]; SECTORS];
        for row in super::field::clamp_range(centre[1] - outer, centre[1] + outer, patch.height) {
            let columns = super::field::clamp_range(centre[0] - outer, centre[0] + outer, patch.width);
            for column in columns.skip(row % step).step_by(step) {
                let (dx, dy) = (column as f64 - centre[0], row as f64 - centre[1]);
                let square = dx * dx + dy * dy;
                let at = row * patch.width + column;
                if square <= inner_px2
                    || square >= outer_px2
                    || patch.flags[at] & (flag::OUTSIDE | flag::BURNT_OUT | flag::OFF_CARD) != 0
                {
                    continue;
                }
                let away = square.sqrt() / patch.pixels_per_mm - radius;
                let sector = ((turn(dx, dy) * SECTORS as f64) as usize).min(SECTORS - 1);
                let bin = (((away + REACH_MM) / BIN_MM) as usize).min(BINS - 1);
                let pixel = patch.reflectance[at];
                sums[sector][bin] += GREEN * pixel[1] + BLUE * pixel[2];
                colours[0][sector][bin] += pixel[0];
                colours[1][sector][bin] += pixel[1];
                counts[sector][bin] += 1;
            }
        }
        let direction = (0..SECTORS).map(direction).collect();
        let mut paper = [None; SECTORS];
        for (sector, paper) in paper.iter_mut().enumerate() {
            let level = |bins: core::ops::Range<usize>| {
                let n: u16 = counts[sector][bins.clone()].iter().sum();
                (n >= 2).then(|| sums[sector][bins].iter().sum::<f32>() / f32::from(n))
            };
            let middle = usize::midpoint(OUTSIDE.start, OUTSIDE.end);
            if let (Some(near), Some(far)) = (level(OUTSIDE.start..middle), level(middle..OUTSIDE.end)) {
                let even = 0.5 * (near + far);
                // Blank paper, or an even pale stain: serum lets the line be read as well as paper does.
                let readable = even > 0.9 || (even > 0.55 && (near - far).abs() < 0.06 * even);
                *paper = (readable && even < 1.2).then_some(even);
            }
        }
        let [red, green] = &mut colours;
        for table in [&mut sums, red, green] {
            for (sums, counts) in table.iter_mut().zip(&counts) {
                for (sum, count) in sums.iter_mut().zip(counts) {
                    *sum = if *count == 0 {
                        f32::NAN
                    } else {
                        *sum / f32::from(*count)
                    };
                }
            }
        }
        Self {
            light: sums,
            colours,
            paper,
            direction,
            middle_mm: [0.0; SECTORS],
        }
    }

    /// Mean share of red (0) or green (1) light missing at a distance from the circle (mm), over some directions.
    fn mean_colour_loss(&self, sectors: &[(usize, f32)], away_mm: f64, channel: usize) -> f32 {
        let (mut light, mut read, mut paper, mut blank) = (0.0_f32, 0.0_f32, 0.0_f32, 0.0_f32);
        for (sector, _) in sectors {
            let place = (away_mm + self.middle_mm[*sector] + REACH_MM) / BIN_MM - 0.5;
            let bin = libm::floor(place).clamp(0.0, (BINS - 2) as f64) as usize;
            let t = (place - bin as f64) as f32;
            let table = &self.colours[channel][*sector];
            for (value, weight) in [(table[bin], 1.0 - t), (table[bin + 1], t)] {
                if !value.is_nan() {
                    light += weight * value;
                    read += weight;
                }
            }
            for value in table[OUTSIDE].iter().filter(|value| !value.is_nan()) {
                paper += value;
                blank += 1.0;
            }
        }
        if read <= 0.0 || paper <= 0.0 {
            return 0.0;
        }
        1.0 - (light / read) / (paper / blank)
    }

    /// Share of the paper's light missing at a distance from the circle (mm), between bins; `None` where nothing was read.
    fn loss(&self, sector: usize, away_mm: f64) -> Option<f32> {
        let paper = self.paper[sector]?;
        let place = (away_mm + self.middle_mm[sector] + REACH_MM) / BIN_MM - 0.5;
        let bin = libm::floor(place).clamp(0.0, (BINS - 2) as f64) as usize;
        let t = (place - bin as f64) as f32;
        let (a, b) = (self.light[sector][bin], self.light[sector][bin + 1]);
        let light = match (a.is_nan(), b.is_nan()) {
            (false, false) => a * (1.0 - t) + b * t,
            (false, true) => a,
            (true, false) => b,
            (true, true) => return None,
        };
        Some(1.0 - light / paper)
    }

    /// Mean loss over the outer half of the line, where paper follows it.
    fn outer_loss(&self, sector: usize) -> Option<f32> {
        let (mut sum, mut n) = (0.0, 0);
        for k in 0..6 {
            if let Some(loss) = self.loss(sector, (f64::from(k) + 0.5) * BIN_MM) {
                sum += loss;
                n += 1;
            }
        }
        (n >= 3).then(|| sum / n as f32)
    }

    /// Whether what darkens the line goes on beyond any line: mean loss from 0.3 to 0.5 mm outside.
    fn is_covered(&self, sector: usize) -> bool {
        let (mut sum, mut n) = (0.0, 0);
        for k in 6..10 {
            if let Some(loss) = self.loss(sector, (f64::from(k) + 0.5) * BIN_MM) {
                sum += loss;
                n += 1;
            }
        }
        let beyond = if n == 0 { 0.0 } else { sum / n as f32 };
        beyond > 0.06 && self.outer_loss(sector).is_some_and(|loss| beyond > 0.35 * loss)
    }

    /// Keeps the dashes (as dark in the middle as most) whose outer half is narrowest: a fifth, but at least five.
    fn keep_narrowest(&self, sectors: &mut Vec<(usize, f32)>) {
        let peak = |sector: usize| {
            let loss = |k: f64| self.loss(sector, k * BIN_MM).unwrap_or(0.0);
            0.5 * (loss(0.5) + loss(1.5))
        };
        let mut peaks: Vec<f32> = sectors.iter().map(|(sector, _)| peak(*sector)).collect();
        peaks.sort_unstable_by(f32::total_cmp);
        let dark = 0.6 * peaks[(peaks.len() - 1) * 7 / 10];
        sectors.retain(|(sector, _)| peak(*sector) >= dark.max(0.01));
        let width = |(sector, loss): &(usize, f32)| loss / peak(*sector);
        sectors.sort_by(|a, b| width(a).total_cmp(&width(b)).then(a.0.cmp(&b.0)));
        let keep = (sectors.len() / 5).max(5).min(sectors.len());
        sectors.truncate(keep);
    }

    fn mean_loss(&self, sectors: &[(usize, f32)], away_mm: f64) -> Option<f32> {
        let (mut sum, mut n) = (0.0, 0);
        for (sector, _) in sectors {
            if let Some(loss) = self.loss(*sector, away_mm) {
                sum += loss;
                n += 1;
            }
        }
        (n > 0).then(|| sum / n as f32)
    }

    /// What the line's radius and its centre's two coordinates lie off (mm), from directions with paper on both sides.
    ///
    /// Least squares with what is usual: 0.05 mm each, against 0.03 mm of scatter from one direction to the next.
    fn offset_mm(&self, sectors: &[(usize, f32)]) -> [f64; 3] {
        let usual = (0.03 / 0.05) * (0.03 / 0.05);
        let mut a = [[usual, 0.0, 0.0], [0.0, usual, 0.0], [0.0, 0.0, usual]];
        let mut right = [0.0; 3];
        for &(sector, _) in sectors {
            let Some(middle) = self.middle_of_line(sector) else {
                continue;
            };
            let [x, y] = self.direction[sector];
            let row = [1.0, x, y];
            for i in 0..3 {
                for j in 0..3 {
                    a[i][j] += row[i] * row[j];
                }
                right[i] += row[i] * middle;
            }
        }
        solve(a, right).map(|offset| offset.clamp(-0.15, 0.15))
    }

    /// Middle of the line's loss in a direction (mm); `None` where it is too weak or blood lies inside.
    fn middle_of_line(&self, sector: usize) -> Option<f64> {
        let paper = self.paper[sector]?;
        let is_free = self.light[sector][INSIDE]
            .iter()
            .all(|light| light.is_nan() || *light > 0.9 * paper);
        if !is_free {
            return None;
        }
        let (mut moment, mut mass) = (0.0_f64, 0.0_f64);
        for k in -9..=9 {
            let away = f64::from(k) * BIN_MM;
            let loss = f64::from(self.loss(sector, away)?.max(0.0));
            moment += away * loss;
            mass += loss;
        }
        // A line of 0.2 mm that takes a quarter of the light.
        (mass * BIN_MM > 0.05).then(|| moment / mass)
    }

    /// Counts distances from the line's own middle from now on.
    fn follow(&mut self, [radius, x, y]: [f64; 3]) {
        for (middle, direction) in self.middle_mm.iter_mut().zip(&self.direction) {
            *middle = radius + x * direction[0] + y * direction[1];
        }
    }
}

/// Solution of three equations with a symmetric, positive definite matrix (Cramer's rule).
fn solve(a: [[f64; 3]; 3], right: [f64; 3]) -> [f64; 3] {
    let det = |m: [[f64; 3]; 3]| {
        m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1]) - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
            + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
    };
    let whole = det(a);
    core::array::from_fn(|column| {
        let mut m = a;
        for (row, right) in m.iter_mut().zip(right) {
            row[column] = right;
        }
        det(m) / whole
    })
}

/// Direction of a sector's middle: the inverse of [`turn`].
fn direction(sector: usize) -> [f64; 2] {
    let turn = (sector as f64 + 0.5) / SECTORS as f64;
    let (t, is_right) = if turn < 0.5 {
        ((turn - 0.25) / 0.25, true)
    } else {
        ((0.75 - turn) / 0.25, false)
    };
    let x = if is_right { 1.0 - t.abs() } else { t.abs() - 1.0 };
    let length = (x * x + t * t).sqrt();
    [x / length, t / length]
}

fn between(table: &[f32], bin: usize, t: f32) -> f32 {
    table[bin] * (1.0 - t) + table[bin + 1] * t
}

/// A number from 0 to 1 that grows with the angle (its steps are not equal angles, which sectors do not need).
fn turn(dx: f64, dy: f64) -> f64 {
    let size = dx.abs() + dy.abs();
    if size <= 0.0 {
        return 0.0;
    }
    let t = dy / size;
    if dx >= 0.0 {
        0.25 + 0.25 * t
    } else {
        0.75 - 0.25 * t
    }
}
