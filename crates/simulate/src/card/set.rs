//! A set of cards: each card painted once and photographed as often as asked for.

use super::barcode::Symbology;
use super::camera::{Camera, Pose};
use super::draw::{CardPlan, Faults, draw_card};
use super::encode::{FileForm, encode};
use super::extraction::{Disc, Taking, take_disc};
use super::face::{CodeWish, Face, paint_face};
use super::fault::{PhotoFault, SpotFault, Suitability};
use super::layouts::layouts;
use super::light::Light;
use super::photo::{Lying, Shot, take};
use super::sheet::Sheet;
use super::surroundings::Background;
use super::texture::Textures;
use super::truth::{BarcodeTruth, CameraTruth, ExtractionFault, ExtractionTruth, PhotoStage, PhotoTruth};
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
            photographs.extend(self.after(plan.seed, &card, &next, &session, &mut stream)?);
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

    /// A photograph after extraction; `None`: no spot of the card could be used.
    fn after(
        &self,
        seed: u64,
        card: &CardPlan,
        next: &CardPlan,
        session: &Session,
        stream: &mut Stream,
    ) -> Result<Option<CardPhoto>, SimulateError> {
        let fault = match stream.below(12) {
            0 | 1 => Some(ExtractionFault::OffSpot),
            2 => Some(ExtractionFault::WrongSpot),
            3 => Some(ExtractionFault::WrongCard),
            4 | 5 => Some(ExtractionFault::Leak),
            _ => None,
        };
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
        let Some(planned) = usable.first().copied() else {
            return Ok(None);
        };
        let site = |k: usize| {
            face.spots[k]
                .outline
                .map_or(face.spots[k].circle_mm, |outline| outline.inscribed_centre_mm)
        };
        let taken = match (fault, usable.get(1)) {
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
                corner_radius_mm: session.corner_radius_mm,
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

/// One photograph's camera, light and fault.
pub(crate) struct Session {
    pub(crate) pose: Pose,
    pub(crate) light: Light,
    pub(crate) background: Background,
    pub(crate) blur_px: f64,
    pub(crate) sharpening: f32,
    pub(crate) bend: f32,
    pub(crate) corner_radius_mm: f32,
    pub(crate) form: FileForm,
    pub(crate) orientation: u8,
    pub(crate) fault: Option<PhotoFault>,
}

impl Session {
    /// A session drawn at random.
    pub(crate) fn random(plan: &CardSetPlan, stream: &mut Stream) -> Self {
        let fault = stream
            .chance(plan.photo_fault_share)
            .then(|| PhotoFault::ALL[stream.below(PhotoFault::ALL.len())]);
        let width = plan.width_px.unwrap_or_else(|| {
            [
                2400, 2400, 2400, 2400, 2400, 2400, 2400, 1600, 1600, 1200, 3000, 4000,
            ][stream.below(12)]
        });
        let height = width * 2 / 3;
        let upright = stream.chance(0.12);
        let quarter = std::f64::consts::FRAC_PI_2;
        // Mostly straight, some upside down or sideways, some anyhow.
        let turn = match stream.below(20) {
            0..12 => 0.05 * stream.normal(),
            12..15 => 2.0 * quarter + 0.05 * stream.normal(),
            15 => quarter + 0.05 * stream.normal(),
            16 => -quarter + 0.05 * stream.normal(),
            _ => stream.between(0.0, 4.0 * quarter),
        };
        let mut fill = stream.between(0.80, 0.95);
        let mut shift = [0.0, 0.0];
        match fault {
            Some(PhotoFault::TooSmall) => fill = stream.between(0.12, 0.24),
            Some(PhotoFault::TwoCards) => fill = 0.42,
            Some(PhotoFault::CutOff) => {
                let away = stream.between(0.28, 0.45) * if stream.chance(0.5) { 1.0 } else { -1.0 };
                shift[stream.below(2)] = away;
            }
            _ => {
                let room = (0.94 - fill).max(0.0) / 2.0;
                shift = [stream.between(-room, room), stream.between(-room, room)];
            }
        }
        if fault == Some(PhotoFault::TwoCards) {
            shift = [0.0, -0.2];
        }
        let frame_px = if upright { [height, width] } else { [width, height] };
        let lens = stream.between(0.5, 1.05) * (width as f64 / 2400.0).max(0.8);
        Self {
            pose: Pose {
                frame_px,
                turn: if fault == Some(PhotoFault::TwoCards) {
                    0.0
                } else {
                    turn
                },
                tilt: stream.between(0.0, 12.0f64.to_radians()) * stream.uniform().sqrt(),
                tilt_axis: stream.between(0.0, 4.0 * quarter),
                distance_mm: stream.between(200.0, 420.0),
                fill,
                shift,
                distortion: stream.between(-0.012, 0.012),
            },
            light: Light::random(stream),
            background: Background::random(stream),
            blur_px: if fault == Some(PhotoFault::OutOfFocus) {
                stream.between(0.16, 0.4) * width as f64 * fill / 96.0
            } else {
                lens
            },
            sharpening: if stream.chance(0.4) {
                stream.between(0.1, 0.5) as f32
            } else {
                0.0
            },
            bend: stream.between(-0.05, 0.05) as f32,
            corner_radius_mm: [0.3, 1.5, 3.0][stream.below(3)],
            form: match stream.below(20) {
                0 => FileForm::Png,
                1 => FileForm::Tiff,
                k => FileForm::Jpeg {
                    quality: 70 + stream.below(26) as u8,
                    halved_colour: k < 15,
                },
            },
            orientation: [1, 1, 1, 1, 1, 3, 6, 8][stream.below(8)],
            fault,
        }
        .only_jpeg_is_turned()
    }

    /// Only JPEG files carry an orientation here.
    fn only_jpeg_is_turned(mut self) -> Self {
        if !matches!(self.form, FileForm::Jpeg { .. }) {
            self.orientation = 1;
        }
        self
    }

    /// What is known before the shot; the homography and the scale follow from the card.
    fn camera_truth(&self) -> CameraTruth {
        CameraTruth {
            width_px: self.pose.frame_px[0],
            height_px: self.pose.frame_px[1],
            orientation: self.orientation,
            homography_px_per_mm: [[0.0; 3]; 3],
            distortion: self.pose.distortion,
            pixels_per_mm: 0.0,
            tilt_deg: self.pose.tilt.to_degrees(),
            turn_deg: self.pose.turn.to_degrees(),
            blur_px: self.blur_px,
            background: self.background,
            form: self.form,
        }
    }
}
