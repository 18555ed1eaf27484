//! One photograph's camera, light and fault, drawn at random.

use super::camera::Pose;
use super::encode::FileForm;
use super::fault::PhotoFault;
use super::light::Light;
use super::set::CardSetPlan;
use super::surroundings::Background;
use super::truth::CameraTruth;
use crate::random::Stream;

/// One photograph's camera, light and fault.
pub(crate) struct Session {
    pub(crate) pose: Pose,
    pub(crate) light: Light,
    pub(crate) background: Background,
    pub(crate) blur_px: f64,
    pub(crate) sharpening: f32,
    pub(crate) bend: f32,
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

    /// A photograph taken at the laboratory's stand: straight, even light, always the same mat, JPEG of 1600 columns.
    pub(crate) fn at_the_stand(stream: &mut Stream) -> Self {
        let plan = CardSetPlan {
            width_px: Some(1600),
            photo_fault_share: 0.0,
            ..CardSetPlan::new(0, 1)
        };
        let mut session = Self::random(&plan, stream);
        session.pose.frame_px = [1600, 1066];
        session.pose.turn = 0.02 * stream.normal();
        session.pose.tilt = (1.5 * stream.uniform()).to_radians();
        session.pose.fill = 0.9;
        session.pose.shift = [0.01 * stream.normal(), 0.01 * stream.normal()];
        session.background = Background::DarkMat;
        session.blur_px = 0.7;
        session.light.even();
        session.form = FileForm::Jpeg {
            quality: 88,
            halved_colour: false,
        };
        session.orientation = 1;
        session
    }

    /// Only JPEG files carry an orientation here.
    fn only_jpeg_is_turned(mut self) -> Self {
        if !matches!(self.form, FileForm::Jpeg { .. }) {
            self.orientation = 1;
        }
        self
    }

    /// What is known before the shot; the homography and the scale follow from the card.
    pub(super) fn camera_truth(&self) -> CameraTruth {
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
