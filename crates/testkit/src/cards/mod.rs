//! Photographs of cards: what `spotwright look DIR --json` says, held against `truth/cards.jsonl`.

mod look;
mod report;

pub use look::{FoundPhoto, FoundSpot, read_look};

use spotwright_simulate::card::{
    Grade, PhotoFault, PhotoStage, PhotoTruth, SpotFault, SpotTruth, Suitability,
};
use std::collections::BTreeMap;
use std::io::{self, BufRead};
use std::path::Path;

/// Beyond this (mm) a card counts as wrongly located.
const MISLOCATED_MM: f64 = 0.5;

/// Reads the truth of a set of cards.
///
/// # Errors
/// When the file is missing or a line is not a photograph's truth.
pub fn read_truth(file: &Path) -> io::Result<Vec<PhotoTruth>> {
    let lines = io::BufReader::new(std::fs::File::open(file)?).lines();
    lines.map(|line| Ok(serde_json::from_str(&line?)?)).collect()
}

/// So many of so many.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Share {
    /// How many.
    pub hits: usize,
    /// Of how many.
    pub all: usize,
}

impl Share {
    fn count(&mut self, hit: bool) {
        self.all += 1;
        self.hits += usize::from(hit);
    }
}

/// What a set of photographs showed. Photographs after extraction are left out.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CardComparison {
    /// Photographs compared.
    pub photographs: usize,
    /// Photographs of the truth that nothing was said of.
    pub missing: Vec<String>,
    /// Distance (mm) of centres, good spots on sound photographs.
    pub good_centre_mm: Vec<f64>,
    /// Relative error (%) of area, the same spots.
    pub good_area_pct: Vec<f64>,
    /// Distance (mm) of centres, all spots whose outline has one meaning.
    pub measurable_centre_mm: Vec<f64>,
    /// Good spots on sound photographs that were measured.
    pub good_measured: Share,
    /// Good spots on sound photographs called unsuitable, or not judged.
    pub false_refusals: Share,
    /// The same, by what was said: reasons of spots, problems of photographs.
    pub refused_because: BTreeMap<String, usize>,
    /// Grossly unsuitable spots not called unsuitable, on any photograph, with file, spot and faults.
    pub gross_accepted: Vec<String>,
    /// Grossly unsuitable spots in all.
    pub gross: usize,
    /// Bad (not grossly) spots not called unsuitable.
    pub bad_accepted: Share,
    /// Faults named, by fault and grade.
    pub named: BTreeMap<(SpotFault, Grade), Share>,
    /// Reasons given to good spots on sound photographs.
    pub said_of_good: BTreeMap<String, usize>,
    /// Pairs of photographs of the same spot with the same verdict (suitable or not).
    pub same_verdict: Share,
    /// Legible codes read.
    pub codes_read: Share,
    /// Codes read that are not on the photograph.
    pub codes_wrong: Vec<String>,
    /// Cards located wrongly and returned without a problem.
    pub mislocated: Vec<String>,
    /// Cards located, in all.
    pub located: usize,
    /// Faults of photographs named.
    pub photo_named: BTreeMap<PhotoFault, Share>,
}

/// Holds findings against the truth.
#[must_use]
pub fn compare(truths: &[PhotoTruth], found: &[FoundPhoto]) -> CardComparison {
    let by_file: BTreeMap<&str, &FoundPhoto> =
        found.iter().map(|photo| (photo.file.as_str(), photo)).collect();
    let mut all = CardComparison::default();
    let mut verdicts: BTreeMap<(&str, u32), Vec<bool>> = BTreeMap::new();
    for truth in truths.iter().filter(|truth| truth.stage == PhotoStage::Before) {
        let Some(photo) = by_file.get(truth.file.as_str()) else {
            all.missing.push(truth.file.clone());
            continue;
        };
        all.photographs += 1;
        all.photo(truth, photo);
        for spot in &truth.spots {
            let seen = photo.spots.iter().flatten().find(|seen| seen.index == spot.index);
            all.spot(truth, photo, spot, seen);
            if let (true, Some(seen)) = (is_sound(truth), seen) {
                verdicts
                    .entry((&truth.card, spot.index))
                    .or_default()
                    .push(seen.may_be_used);
            }
        }
    }
    for of_spot in verdicts.values() {
        for (place, one) in of_spot.iter().enumerate() {
            for other in &of_spot[..place] {
                all.same_verdict.count(one == other);
            }
        }
    }
    all
}

/// Whether nothing is wrong with the picture itself (its code may be).
fn is_sound(truth: &PhotoTruth) -> bool {
    truth.photo_faults.iter().all(|fault| {
        matches!(
            fault,
            PhotoFault::BarcodeUnreadable | PhotoFault::BarcodeOfAnother
        )
    })
}

impl CardComparison {
    fn photo(&mut self, truth: &PhotoTruth, photo: &FoundPhoto) {
        for fault in &truth.photo_faults {
            let named = photo
                .problems
                .iter()
                .any(|code| problem_codes(*fault).contains(&code.as_str()));
            self.photo_named.entry(*fault).or_default().count(named);
        }
        for text in &photo.codes {
            if !truth.barcodes.iter().any(|code| code.text == *text) {
                self.codes_wrong.push(format!("{}: {text}", truth.file));
            }
        }
        if truth.photo_faults.is_empty() {
            for code in truth.barcodes.iter().filter(|code| code.legible) {
                self.codes_read.count(photo.codes.contains(&code.text));
            }
        }
        if photo.spots.is_some() {
            self.located += 1;
            let off = location_error_mm(truth, photo);
            if photo.problems.is_empty() && off.is_some_and(|off| off > MISLOCATED_MM) {
                self.mislocated
                    .push(format!("{}: {:.2} mm", truth.file, off.unwrap_or(f64::INFINITY)));
            }
        }
    }

    fn spot(&mut self, truth: &PhotoTruth, photo: &FoundPhoto, spot: &SpotTruth, seen: Option<&FoundSpot>) {
        let accepted = seen.is_some_and(|seen| seen.may_be_used);
        if spot.expected == Suitability::GrosslyBad {
            self.gross += 1;
            if accepted {
                let faults: Vec<String> = spot
                    .faults
                    .iter()
                    .map(|f| format!("{} {:.2}", f.fault.word(), f.severity))
                    .collect();
                self.gross_accepted.push(format!(
                    "{} spot {}: {}",
                    truth.file,
                    spot.index,
                    faults.join(", ")
                ));
            }
        }
        if !is_sound(truth) {
            return;
        }
        let centre_off = |seen: &FoundSpot| {
            let at = spot.outline?.centroid_mm;
            seen.centre_mm.map(|found| distance(found, at))
        };
        match spot.expected {
            Suitability::Good => {
                self.false_refusals.count(!accepted);
                let reasons = seen.map_or(&[][..], |seen| &seen.reasons);
                for reason in reasons {
                    *self.said_of_good.entry(reason.clone()).or_default() += 1;
                }
                if !accepted {
                    let said = if reasons.is_empty() {
                        &photo.problems[..]
                    } else {
                        reasons
                    };
                    for reason in said {
                        *self.refused_because.entry(reason.clone()).or_default() += 1;
                    }
                }
                if spot.measurable {
                    let off = seen.and_then(centre_off);
                    self.good_measured.count(off.is_some());
                    self.good_centre_mm.extend(off);
                    if let (Some(outline), Some(area)) = (spot.outline, seen.and_then(|seen| seen.area_mm2)) {
                        self.good_area_pct.push(100.0 * (area / outline.area_mm2 - 1.0));
                    }
                }
            }
            Suitability::Bad => self.bad_accepted.count(accepted),
            Suitability::Marginal | Suitability::GrosslyBad => {}
        }
        if spot.measurable {
            self.measurable_centre_mm.extend(seen.and_then(centre_off));
        }
        for fault in &spot.faults {
            let codes = reason_codes(fault.fault);
            let named =
                seen.is_some_and(|seen| seen.reasons.iter().any(|code| codes.contains(&code.as_str())));
            self.named
                .entry((fault.fault, fault.grade))
                .or_default()
                .count(named);
        }
    }
}

/// How far (mm) the card was placed from where it is: the worst of the printed circles' middles by the map to the
/// photograph; without one, the median distance of the spots' centres.
fn location_error_mm(truth: &PhotoTruth, photo: &FoundPhoto) -> Option<f64> {
    // A card where there is none, or another design.
    if truth.spots.is_empty()
        || photo
            .layout
            .as_ref()
            .is_some_and(|layout| *layout != truth.layout)
    {
        return Some(f64::INFINITY);
    }
    if let Some(map) = photo.card_to_photo {
        let camera = &truth.camera;
        let errors = truth.spots.iter().map(|spot| {
            let [x, y] = spot.circle_mm;
            let w = map[6] * x + map[7] * y + map[8];
            // Pixel centres at whole numbers there, at halves in the truth.
            let seen = [
                (map[0] * x + map[1] * y + map[2]) / w + 0.5,
                (map[3] * x + map[4] * y + map[5]) / w + 0.5,
            ];
            let middle = [camera.width_px as f64 / 2.0, camera.height_px as f64 / 2.0];
            let off = [seen[0] - middle[0], seen[1] - middle[1]];
            let square =
                (off[0] * off[0] + off[1] * off[1]) / (middle[0] * middle[0] + middle[1] * middle[1]);
            let by = 1.0 + camera.distortion * square;
            let m = camera.homography_px_per_mm;
            let v = m[2][0] * x + m[2][1] * y + m[2][2];
            let true_at = [
                (m[0][0] * x + m[0][1] * y + m[0][2]) / v,
                (m[1][0] * x + m[1][1] * y + m[1][2]) / v,
            ];
            let gap = distance([middle[0] + off[0] * by, middle[1] + off[1] * by], true_at);
            gap / camera.pixels_per_mm
        });
        return errors.reduce(f64::max);
    }
    let mut errors: Vec<f64> = photo
        .spots
        .iter()
        .flatten()
        .filter_map(|seen| {
            let of = truth.spots.iter().find(|spot| spot.index == seen.index)?;
            let (at, found) = (of.outline?.centroid_mm, seen.centre_mm?);
            Some(distance(found, at))
        })
        .collect();
    errors.sort_by(f64::total_cmp);
    errors.get(errors.len() / 2).copied()
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (x, y) = (a[0] - b[0], a[1] - b[1]);
    (x * x + y * y).sqrt()
}

/// Words of the closed list of reasons that name a fault rightly.
fn reason_codes(fault: SpotFault) -> &'static [&'static str] {
    match fault {
        SpotFault::Small => &["quantity-insufficient"],
        SpotFault::Scratched => &["scratched"],
        SpotFault::Wet => &["not-dry"],
        SpotFault::Supersaturated => &["supersaturated", "touches-neighbour"],
        SpotFault::Diluted => &["diluted"],
        SpotFault::Discoloured => &["discoloured"],
        SpotFault::Contaminated => &["contaminated"],
        SpotFault::SerumRing => &["serum-ring"],
        SpotFault::Clotted => &["clotted"],
        SpotFault::Layered => &["layered"],
        SpotFault::Merged => &["multiple-drops", "layered"],
        SpotFault::Smeared => &["smeared"],
        SpotFault::NoBlood => &["no-blood"],
        SpotFault::NotSoakedThrough => &["not-soaked-through", "too-pale"],
        SpotFault::Satellites => &["satellites"],
        SpotFault::OutsideCircle => &["outside-circle"],
        SpotFault::Compressed => &["compressed"],
        SpotFault::AlreadyUsed => &["already-used"],
        SpotFault::TouchesEdge => &["cut-by-edge"],
    }
}

/// Words of the closed list of problems that name a photograph's fault rightly.
fn problem_codes(fault: PhotoFault) -> &'static [&'static str] {
    match fault {
        PhotoFault::OutOfFocus => &["out-of-focus"],
        PhotoFault::Overexposed => &["clipped"],
        PhotoFault::Glare => &["glare"],
        PhotoFault::TooSmall => &["too-small"],
        PhotoFault::CutOff => &["card-cut-off"],
        PhotoFault::NoCard => &["no-card"],
        PhotoFault::TwoCards => &["several-cards"],
        PhotoFault::BarcodeUnreadable => &["code-not-read"],
        PhotoFault::BarcodeOfAnother => &["code-conflict"],
    }
}
