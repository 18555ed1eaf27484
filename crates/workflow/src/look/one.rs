//! One photograph: read, located, measured, judged, named.

use super::after::{Before, look_at_after};
use super::files::Photograph;
use super::{LookOptions, Looked, Picture};
use crate::error::WorkflowError;
use image::codecs::jpeg::JpegEncoder;
use spotwright_card::haematocrit::{HaematocritKnowledge, Sex, prior_for};
use spotwright_card::photo::PhotoError;
use spotwright_card::spot::{SpotSettings, measure_spots};
use spotwright_card::suitability::judge_card;
use spotwright_card::{CardView, look_at_photo, reconcile};
use spotwright_domain::card::{
    Barcode, CardLayout, CardRecord, Identity, LOOK_VERSION, LookRecord, PhotoProblem, PhotoProblemCode,
};
use spotwright_domain::digest::Digest;
use spotwright_domain::reason::Severity;
use spotwright_domain::request::Request;

/// Resolution of the picture in a drawing (px/mm): enough to judge an outline by eye.
const PICTURE_PIXELS_PER_MM: f64 = 9.0;
/// JPEG quality of that picture.
const PICTURE_QUALITY: u8 = 82;
/// Standard uncertainty of a clinic's haematocrit (L/L; common practice, no source).
const U_CLINICAL_HAEMATOCRIT: f64 = 0.01;

/// Looks at one photograph. Whatever is wrong with it is part of the record.
pub(super) fn look_at(photograph: &Photograph, options: &LookOptions) -> Looked {
    let bytes = match super::read(&photograph.path) {
        Ok(bytes) => bytes,
        Err(error) => return refused(photograph, None, unreadable(&error)),
    };
    let sha256 = Digest::of_bytes(&bytes).to_string();
    let mut view = match look_at_photo(&bytes, &options.layouts, &options.photo) {
        Ok(view) => view,
        Err(error) => return refused(photograph, Some(sha256), damaged(&error)),
    };
    let mut record = record(photograph, sha256.clone(), &view, options);
    let picture = options
        .with_pictures
        .then(|| picture(&mut view, options))
        .transpose();
    let picture = match picture {
        Ok(picture) => picture.flatten(),
        // Damage that only the whole picture shows: the file cannot be trusted after all.
        Err(error) => return refused(photograph, Some(sha256), damaged(&error)),
    };
    if let Some(path) = &photograph.after {
        // The first photograph's pixels are let go before the second is opened: a worker holds one at a time.
        let before = Before {
            layout: view.layout,
            windows: std::mem::take(&mut view.windows),
        };
        drop(view);
        drop(bytes);
        record.after = Some(look_at_after(path, &before, &record, options));
    }
    Looked { record, picture }
}

fn record(photograph: &Photograph, sha256: String, view: &CardView<'_>, options: &LookOptions) -> LookRecord {
    let mut problems = view.problems.clone();
    let identity = identity(photograph, &view.barcodes);
    if let Identity::Conflict { .. } = identity {
        problems.insert(0, conflict());
    }
    let is_refused = problems.iter().any(|problem| {
        problem.severity == Severity::Reject
            && problem.circle.is_none()
            && problem.code != PhotoProblemCode::CodeConflict
    });
    let layout = view.layout.and_then(|index| options.layouts.get(index));
    let card = layout
        .filter(|_| !is_refused && !view.windows.is_empty())
        .map(|layout| spots(photograph.request.as_ref(), view, layout, options));
    LookRecord {
        version: LOOK_VERSION,
        file: photograph.shown(),
        sha256: Some(sha256),
        format: Some(view.facts().format),
        size_px: Some([view.facts().width, view.facts().height]),
        simulated: photograph.simulated,
        place: view.place.clone(),
        barcodes: view.barcodes.clone(),
        identity,
        problems,
        card,
        after: None,
    }
}

fn spots(
    request: Option<&Request>,
    view: &CardView<'_>,
    layout: &CardLayout,
    options: &LookOptions,
) -> CardRecord {
    let settings = SpotSettings {
        haematocrit: knowledge(request, &options.spots.haematocrit),
        ..options.spots.clone()
    };
    let mut all = Vec::new();
    for window in &view.windows {
        let circle = layout
            .circles
            .iter()
            .find(|circle| Some(circle.number) == window.circle);
        let neighbours: Vec<_> = layout
            .circles
            .iter()
            .filter(|other| Some(other.number) != window.circle)
            .copied()
            .collect();
        all.extend(measure_spots(
            &window.patch,
            circle,
            &neighbours,
            &options.limits,
            &settings,
        ));
    }
    let mut card = judge_card(all, &options.limits);
    let place_u = view.place.as_ref().map_or(0.0, |place| place.position_u_mm);
    for site in card.spots.iter_mut().filter_map(|spot| spot.site.as_mut()) {
        // Where the card lies is part of where the head must go.
        site.u_mm = (site.u_mm * site.u_mm + place_u * place_u).sqrt();
    }
    card
}

/// What the request adds to what the method knows of the haematocrit.
fn knowledge(request: Option<&Request>, method: &HaematocritKnowledge) -> HaematocritKnowledge {
    let sex = request
        .and_then(|request| request.sex.as_deref())
        .and_then(|word| match word {
            "female" => Some(Sex::Female),
            "male" => Some(Sex::Male),
            _ => None,
        });
    HaematocritKnowledge {
        clinical: request
            .and_then(|request| request.haematocrit)
            .map(|value| [value, U_CLINICAL_HAEMATOCRIT])
            .or(method.clinical),
        prior: Some(prior_for(request.and_then(|request| request.age_y), sex)),
        age_days: request
            .and_then(|request| request.age_at_receipt_d)
            .or(method.age_days),
        calibration: method.calibration.clone(),
    }
}

/// Whose card: a file name counts when its form says that it names a card, or when it is formed like the codes.
fn identity(photograph: &Photograph, codes: &[Barcode]) -> Identity {
    let claims = photograph.names_card
        || codes
            .iter()
            .any(|code| form(&code.text) == form(&photograph.stem));
    let request = photograph.request.as_ref().map(|request| request.card.as_str());
    reconcile(codes, claims.then_some(photograph.stem.as_str()), request)
}

/// The form of a name: letters as `a`, digits as `0`, everything else as it is.
fn form(name: &str) -> String {
    let kind = |c: char| match c {
        _ if c.is_ascii_digit() => '0',
        _ if c.is_alphabetic() => 'a',
        other => other,
    };
    name.trim().chars().map(kind).collect()
}

/// The whole card, straightened.
fn picture(view: &mut CardView<'_>, options: &LookOptions) -> Result<Option<Picture>, PhotoError> {
    let Some(layout) = view.layout.and_then(|index| options.layouts.get(index)) else {
        return Ok(None);
    };
    let size_mm = [layout.width_mm, layout.height_mm];
    let Some(crop) = view.crop([0.0, 0.0], size_mm, PICTURE_PIXELS_PER_MM)? else {
        return Ok(None);
    };
    let mut jpeg = Vec::new();
    let encoder = JpegEncoder::new_with_quality(&mut jpeg, PICTURE_QUALITY);
    let size = [crop.width, crop.height].map(|side| u32::try_from(side).unwrap_or(u32::MAX));
    let encoded = image::ImageEncoder::write_image(
        encoder,
        &crop.rgb,
        size[0],
        size[1],
        image::ExtendedColorType::Rgb8,
    );
    // A picture that cannot be made is left out; the numbers stand without it.
    Ok(encoded.is_ok().then_some(Picture { jpeg, size_mm }))
}

fn refused(photograph: &Photograph, sha256: Option<String>, problem: PhotoProblem) -> Looked {
    Looked {
        record: LookRecord {
            version: LOOK_VERSION,
            file: photograph.shown(),
            sha256,
            format: None,
            size_px: None,
            simulated: photograph.simulated,
            place: None,
            barcodes: Vec::new(),
            identity: identity(photograph, &[]),
            problems: vec![problem],
            card: None,
            after: None,
        },
        picture: None,
    }
}

pub(super) fn problem(code: PhotoProblemCode, rule: &str, text: String) -> PhotoProblem {
    PhotoProblem {
        code,
        severity: Severity::Reject,
        rule: rule.to_owned(),
        measured: None,
        limit: None,
        unit: String::new(),
        circle: None,
        text,
    }
}

fn conflict() -> PhotoProblem {
    problem(
        PhotoProblemCode::CodeConflict,
        "SPOT-01 (administrative)",
        "Names on the card, the file and the request disagree: stop, and find out whose card this is."
            .to_owned(),
    )
}

pub(super) fn unreadable(error: &WorkflowError) -> PhotoProblem {
    problem(
        PhotoProblemCode::Unreadable,
        "PR-10",
        format!("The file cannot be read: {error}."),
    )
}

pub(super) fn damaged(error: &PhotoError) -> PhotoProblem {
    problem(
        PhotoProblemCode::Unreadable,
        "PR-10",
        format!("Not a photograph that can be looked at: {error}."),
    )
}

#[cfg(test)]
mod tests {
    use super::form;

    #[test]
    fn names_of_one_form_differ_only_in_letters_and_digits() {
        assert_eq!(form("SI-0417"), form("PM-0001 "));
        assert_ne!(form("SI-0417"), form("IMG_2041"));
        assert_ne!(form("SI-0417"), form("SI-417"));
    }
}
