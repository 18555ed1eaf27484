//! A set of cards: each card painted once and photographed as often as asked for.

use super::barcode::Symbology;
use super::camera::Camera;
use super::draw::{CardPlan, Faults, draw_card};
use super::encode::encode;
use super::extraction::{Disc, Taking, take_disc};
use super::face::{CodeWish, Face, paint_face};
use super::fault::{PhotoFault, SpotFault, Suitability};
use super::layouts::layouts;
use super::photo::{Lying, Shot, take};
use super::session::Session;
use super::sheet::Sheet;
use super::texture::Textures;
use super::truth::{BarcodeTruth, ExtractionFault, ExtractionTruth, PhotoStage, PhotoTruth};
use crate::error::SimulateError;
use crate::random::{Purpose, Stream};
use spotwright_domain::card::CardLayout;

/// Streams of photographs after extraction start here.
const AFTER: u64 = 1 << 32;

/// A set of cards to photograph.
#[derive(Debug, Clone, PartialEq)]
pub struct CardSetPlan {
    /// Everything random follows from it.
    pub seed: u64,
    /// How many cards.
    pub cards: u64,
    /// Photographs of each card before extraction, each in other light, from another side, by another camera.
    pub repeat: u32,
    /// Columns of every photograph held sideways; `None`: mostly 2400, some 1200 to 4000.
    pub width_px: Option<usize>,
    /// Whether spots have faults.
    pub spot_faults: bool,
    /// One fault on every spot, its severity rising along the card; `None`: faults drawn at random.
    pub only_fault: Option<SpotFault>,
    /// Share of photographs that have a fault of their own.
    pub photo_fault_share: f64,
    /// Share of cards that are photographed after extraction too.
    pub after_share: f64,
}

impl CardSetPlan {
    /// A set with every kind of trouble.
    #[must_use]
    pub fn new(seed: u64, cards: u64) -> Self {
        Self {
            seed,
            cards,
            repeat: 1,
            width_px: None,
            spot_faults: true,
            only_fault: None,
            photo_fault_share: 0.12,
            after_share: 0.2,
        }
    }

    fn blood(&self) -> Faults {
        match (self.spot_faults, self.only_fault) {
            (false, _) => Faults::None,
            (true, None) => Faults::Random,
            (true, Some(fault)) => Faults::Only(fault),
        }
    }

    /// A set of good spots well photographed.
    #[must_use]
    pub fn good(seed: u64, cards: u64) -> Self {
        Self {
            spot_faults: false,
            photo_fault_share: 0.0,
            after_share: 0.0,
            ..Self::new(seed, cards)
        }
    }
}

/// A photograph with its truth.
#[derive(Debug, Clone, PartialEq)]
pub struct CardPhoto {
    /// The file.
    pub bytes: Vec<u8>,
    /// What is true of it.
    pub truth: PhotoTruth,
}

/// What cards are rendered with: made once, used by all.
pub struct CardStudio {
    textures: Textures,
    layouts: Vec<CardLayout>,
}

impl CardStudio {
    /// Layouts and paper.
    ///
    /// # Errors
    /// When a layout's text is not one.
    pub fn new() -> Result<Self, SimulateError> {
        Ok(Self {
            textures: Textures::new(0x5e1_c1e),
            layouts: layouts()?,
        })
    }

    /// The photographs of one card of a set, from 1: before extraction, then after.
    ///
    /// # Errors
    /// When a picture cannot be encoded.
    pub fn photographs(&self, plan: &CardSetPlan, number: u64) -> Result<Vec<CardPhoto>, SimulateError> {
        let card = draw_card(plan.seed, number, &self.layouts, plan.blood());
        let mut photographs = Vec::new();
        for k in 1..=plan.repeat {
            let mut stream = Stream::new(plan.seed, number, Purpose::Photograph, u64::from(k));
            let session = Session::random(plan, &mut stream);
            photographs.push(self.before(plan.seed, &card, &session, k, &mut stream)?);
        }
        let mut stream = Stream::new(plan.seed, number, Purpose::Photograph, AFTER);
        if stream.chance(plan.after_share) {
            let session = Session::random(
                &CardSetPlan {
                    photo_fault_share: 0.0,
                    ..plan.clone()
                },
                &mut stream,
            );
            let next = draw_card(plan.seed, number + 1, &self.layouts, plan.blood());
            let fault = match stream.below(12) {
                0 | 1 => Some(ExtractionFault::OffSpot),
                2 => Some(ExtractionFault::WrongSpot),
                3 => Some(ExtractionFault::WrongCard),
                4 | 5 => Some(ExtractionFault::Leak),
                _ => None,
            };
            photographs.extend(self.after(plan.seed, &card, &next, None, fault, &session, &mut stream)?);
        }
        Ok(photographs)
    }

    /// A photograph before extraction.
    pub(crate) fn before(
        &self,
        seed: u64,
        card: &CardPlan,
        session: &Session,
        photograph: u32,
        stream: &mut Stream,
    ) -> Result<CardPhoto, SimulateError> {
        let layout = &self.layouts[card.layout];
        let other = format!("PM-26-{:06}", card.number + 500_000);
        let wish = CodeWish {
            text: if session.fault == Some(PhotoFault::BarcodeOfAnother) {
                &other
            } else {
                &card.code
            },
            damaged: session.fault == Some(PhotoFault::BarcodeUnreadable),
        };
        let face = self.face(seed, card, wish, session);
        let stage = PhotoStage::Before;
        let suffix = if photograph == 1 {
            String::new()
        } else {
            format!("-{photograph}")
        };
        let name = format!("{}.before{suffix}.{}", card.code, session.form.ending());
        let second = (session.fault == Some(PhotoFault::TwoCards)).then(|| {
            let other = CardPlan {
                number: card.number + 700_000,
                code: format!("PM-26-{:06}", card.number + 700_000),
                ..card.clone()
            };
            let wish = CodeWish {
                text: &other.code,
                damaged: false,
            };
            self.face(seed, &other, wish, session)
        });
        let truth = PhotoTruth {
            file: name,
            stage,
            card: card.code.clone(),
            shows_card: card.code.clone(),
            photograph,
            layout: layout.id.clone(),
            barcodes: Vec::new(),
            photo_faults: session.fault.into_iter().collect(),
            glare_over: None,
            camera: session.camera_truth(),
            spots: Vec::new(),
            extraction: None,
        };
        self.shoot(face, second, session, truth, stream)
    }

    /// A photograph after extraction; `None`: no spot of the card could be used. `planned` is the number of the spot to
    /// be taken; without one it is the first usable.
    #[expect(
        clippy::too_many_arguments,
        reason = "two cards, what goes wrong, and how it is photographed"
    )]
    pub(crate) fn after(
        &self,
        seed: u64,
        card: &CardPlan,
        next: &CardPlan,
        planned: Option<u32>,
        fault: Option<ExtractionFault>,
        session: &Session,
        stream: &mut Stream,
    ) -> Result<Option<CardPhoto>, SimulateError> {
        let shown = if fault == Some(ExtractionFault::WrongCard) {
            next
        } else {
            card
        };
        let layout = &self.layouts[shown.layout];
        let wish = CodeWish {
            text: &shown.code,
            damaged: false,
        };
        let mut face = self.face(seed, shown, wish, session);
        let usable: Vec<usize> = (0..face.spots.len())
            .filter(|k| face.spots[*k].expected <= Suitability::Marginal && face.spots[*k].outline.is_some())
            .collect();
        let asked = planned.and_then(|number| {
            (0..face.spots.len()).find(|k| face.spots[*k].index == number && face.spots[*k].outline.is_some())
        });
        let Some(planned) = asked.or_else(|| usable.first().copied()) else {
            return Ok(None);
        };
        let site = |k: usize| {
            face.spots[k]
                .outline
                .map_or(face.spots[k].circle_mm, |outline| outline.inscribed_centre_mm)
        };
        let taken = match (fault, usable.iter().find(|k| **k != planned)) {
            (Some(ExtractionFault::WrongSpot), Some(other)) => *other,
            _ => planned,
        };
        let fault = if fault == Some(ExtractionFault::WrongSpot) && taken == planned {
            None
        } else {
            fault
        };
        let off = match fault {
            Some(ExtractionFault::OffSpot) => {
                let angle = stream.between(0.0, std::f64::consts::TAU);
                let away = stream.between(2.0, 5.0);
                [away * libm::cos(angle), away * libm::sin(angle)]
            }
            _ => [0.18 * stream.normal(), 0.18 * stream.normal()],
        };
        let centre = [site(taken)[0] + off[0], site(taken)[1] + off[1]];
        let disc = Disc {
            centre_mm: centre,
            diameter_mm: [4.0, 6.0, 6.0][stream.below(3)],
            taking: if stream.chance(0.85) {
                Taking::Eluted
            } else {
                Taking::Punched
            },
            leak_mm: if fault == Some(ExtractionFault::Leak) {
                stream.between(0.6, 2.2)
            } else {
                0.0
            },
        };
        let extraction = ExtractionTruth {
            planned_spot: face.spots[planned].index,
            taken_spot: face.spots[taken].index,
            taking: disc.taking,
            head_diameter_mm: disc.diameter_mm,
            planned_site_mm: site(planned),
            site_mm: centre,
            bare_paper_share: face.bare_share(centre, disc.diameter_mm),
            leak_mm: disc.leak_mm,
            fault,
        };
        let white = face.white;
        take_disc(&mut face.sheet, &disc, white, &self.textures, stream);
        let truth = PhotoTruth {
            file: format!("{}.after.{}", card.code, session.form.ending()),
            stage: PhotoStage::After,
            card: card.code.clone(),
            shows_card: shown.code.clone(),
            photograph: 1,
            layout: layout.id.clone(),
            barcodes: Vec::new(),
            photo_faults: Vec::new(),
            glare_over: None,
            camera: session.camera_truth(),
            spots: Vec::new(),
            extraction: Some(extraction),
        };
        self.shoot(face, None, session, truth, stream).map(Some)
    }

    /// A face on a grid about as fine as the photograph's.
    fn face(&self, seed: u64, card: &CardPlan, wish: CodeWish<'_>, session: &Session) -> Face {
        let layout = &self.layouts[card.layout];
        let camera = Camera::new(&session.pose, [layout.width_mm, layout.height_mm]);
        let middle = [layout.width_mm / 2.0, layout.height_mm / 2.0];
        let per_mm = (1.12 * camera.pixels_per_mm(middle)).clamp(14.0, 48.0);
        paint_face(seed, card, layout, wish, per_mm, &self.textures)
    }

    fn shoot(
        &self,
        face: Face,
        second: Option<Face>,
        session: &Session,
        mut truth: PhotoTruth,
        stream: &mut Stream,
    ) -> Result<CardPhoto, SimulateError> {
        let size = face.sheet.size_mm;
        let camera = Camera::new(&session.pose, size);
        let frame = session.pose.frame_px;
        let scale = camera.pixels_per_mm([size[0] / 2.0, size[1] / 2.0]);
        let mut light = session.light.clone();
        light.limit(face.white);
        if session.fault == Some(PhotoFault::Overexposed) {
            light.expose(stream.between(1.9, 3.2) as f32);
        }
        if session.fault == Some(PhotoFault::Glare)
            && let Some(spot) = some_blood(&face, stream)
        {
            let at = camera.photographed(spot.1);
            let radius = stream.between(3.5, 8.0) * scale / frame[0] as f64;
            light.glare = Some((
                [
                    (at[0] / frame[0] as f64 - 0.5) as f32,
                    (at[1] / frame[1] as f64 - 0.5) as f32,
                ],
                radius as f32,
                stream.between(1.2, 3.0) as f32,
            ));
            truth.glare_over = Some(spot.0);
        }
        let no_card = session.fault == Some(PhotoFault::NoCard);
        let mut cards = Vec::new();
        if !no_card {
            cards.push(lying(&face.sheet, [0.0, 0.0], 0.0));
            truth.barcodes.extend(code_truth(&face, scale, session.blur_px));
        }
        if let Some(other) = &second {
            let away = size[1] + stream.between(3.0, 8.0);
            cards.push(lying(
                &other.sheet,
                [stream.between(-4.0, 4.0), away],
                stream.between(-0.05, 0.05),
            ));
            truth.barcodes.extend(code_truth(other, scale, session.blur_px));
        }
        let picture = take(
            &Shot {
                frame_px: frame,
                camera,
                cards,
                background: session.background,
                light,
                blur_px: session.blur_px,
                sharpening: session.sharpening,
                bend: session.bend,
                corner_radius_mm: face.corner_radius_mm,
                noise_seed: stream.bits(),
            },
            &self.textures,
        );
        truth.camera.homography_px_per_mm = camera.to_photo;
        truth.camera.pixels_per_mm = scale;
        truth.spots = if no_card { Vec::new() } else { face.spots };
        let bytes =
            encode(&picture, session.form, session.orientation).map_err(|source| SimulateError::Io {
                path: truth.file.clone().into(),
                source,
            })?;
        Ok(CardPhoto { bytes, truth })
    }

    /// The layouts cards are printed in.
    #[must_use]
    pub fn layouts(&self) -> &[CardLayout] {
        &self.layouts
    }
}

fn lying(sheet: &Sheet, corner: [f64; 2], turn: f64) -> Lying<'_> {
    Lying {
        sheet,
        corner_mm: corner.map(|mm| mm as f32),
        turn: [libm::cos(turn) as f32, libm::sin(turn) as f32],
    }
}

fn some_blood(face: &Face, stream: &mut Stream) -> Option<(u32, [f64; 2])> {
    let with_blood: Vec<_> = face
        .spots
        .iter()
        .filter_map(|spot| spot.outline.map(|o| (spot.index, o.centroid_mm)))
        .collect();
    (!with_blood.is_empty()).then(|| with_blood[stream.below(with_blood.len())])
}

fn code_truth(face: &Face, scale: f64, blur_px: f64) -> Option<BarcodeTruth> {
    let code = face.code.as_ref()?;
    let module_px = code.module_mm * scale;
    let sharp = match code.symbology {
        Symbology::Code128 | Symbology::DataMatrix | Symbology::QrCode => blur_px < module_px / 3.0,
    };
    Some(BarcodeTruth {
        text: code.text.clone(),
        symbology: code.symbology,
        module_px,
        legible: !code.damaged && module_px >= 4.0 && sharp,
    })
}
