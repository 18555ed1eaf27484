//! One card, annotated: outlines, extraction sites, scale, verdicts and reasons in words.

use super::wording::{after_line, identity_sentence, spot_style};
use crate::number::{Decimals, push_coordinate};
use maud::{Markup, Render, html};
use spotwright_domain::card::{CardRecord, ExtractionRecord, ExtractionSite, LookRecord, SpotRecord};
use spotwright_domain::reason::Severity;

/// The photograph straightened onto the card's plane, as a file an image element can hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CardPicture<'a> {
    /// JPEG or PNG bytes.
    pub bytes: &'a [u8],
    /// `image/jpeg` or `image/png`.
    pub media_type: &'a str,
    /// Upper left corner of the picture on the card (mm).
    pub left_top_mm: [f64; 2],
    /// Size of the picture (mm).
    pub size_mm: [f64; 2],
}

impl CardPicture<'_> {
    fn href(&self) -> String {
        format!(
            "data:{};base64,{}",
            self.media_type,
            base64_simd::STANDARD.encode_to_string(self.bytes)
        )
    }
}

/// Drawing units per millimetre.
const SCALE: f64 = 10.0;
const TEXT_HEIGHT: f64 = 19.0;
const MARGIN: f64 = 12.0;
/// Characters of 14-unit sans-serif text that fit a drawing unit, on average.
const CHARACTERS_PER_UNIT: f64 = 1.0 / 7.5;

/// The annotated card as an SVG file of its own. Without a picture (the photograph was refused before a card was
/// found) the text alone.
#[must_use]
pub fn card_drawing(of: &LookRecord, picture: Option<CardPicture<'_>>) -> String {
    let width = picture
        .map_or(700.0, |picture| picture.size_mm[0] * SCALE)
        .max(500.0);
    let height = picture.map_or(0.0, |picture| picture.size_mm[1] * SCALE);
    let lines = lines(of, width);
    let full_height = height + MARGIN * 2.0 + TEXT_HEIGHT * lines.len() as f64;
    let description = description(of);
    let body = html! {
        rect width=(Units(width)) height=(Units(full_height)) fill="#ffffff" {}
        @if let Some(picture) = picture {
            image href=(picture.href()) width=(Units(picture.size_mm[0] * SCALE)) height=(Units(height))
                preserveAspectRatio="none" {}
            g transform={ "scale(" (Units(SCALE)) ") translate(" (Place(-picture.left_top_mm[0])) " " (Place(-picture.left_top_mm[1])) ")" } {
                @if let Some(card) = &of.card {
                    @for spot in &card.spots { (annotated(spot)) }
                    @if let Some(extraction) = of.extraction() { (taken_mark(extraction, card)) }
                }
                (scale_bar(picture))
            }
        }
        @for (place, line) in lines.iter().enumerate() {
            text x=(Units(MARGIN)) y=(Units(height + MARGIN + TEXT_HEIGHT * (place as f64 + 0.8)))
                font-weight=(if line.heavy { "600" } else { "400" }) { (line.text) }
        }
    };
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" role=\"img\" \
         aria-label=\"{}\" font-family=\"system-ui, sans-serif\" font-size=\"14\" fill=\"#1c2429\">{}</svg>\n",
        html! { (description) }.0,
        body.0,
        w = Units(width).render().0,
        h = Units(full_height).render().0,
    )
}

/// One spot cut out with its outline, site and a scale bar, for use inside a page. `picture` holds the spot's
/// surroundings.
#[must_use]
pub fn spot_crop(spot: &SpotRecord, picture: CardPicture<'_>) -> Markup {
    let style = spot_style(spot);
    let label = format!(
        "Spot {}, {}, with outline and extraction site",
        spot.index, style.mark.word
    );
    let [left, top] = picture.left_top_mm;
    let [width, height] = picture.size_mm;
    html! {
        svg.spot xmlns="http://www.w3.org/2000/svg" role="img" aria-label=(label)
            viewBox={ (Place(left)) " " (Place(top)) " " (Place(width)) " " (Place(height)) } {
            image href=(picture.href()) x=(Place(left)) y=(Place(top)) width=(Place(width)) height=(Place(height))
                preserveAspectRatio="none" {}
            (shapes(spot))
            (scale_bar_at(left + 0.8, top + height - 0.9, 5.0))
        }
    }
}

/// Outline and site, in millimetres.
fn shapes(spot: &SpotRecord) -> Markup {
    let style = spot_style(spot);
    let outline = outline(spot);
    html! {
        @if !outline.is_empty() {
            // A pale line beneath a dark one shows on blood and on paper alike.
            path d=(outline) fill="none" stroke="#ffffff" stroke-width="0.34" stroke-linejoin="round" {}
            path d=(outline) fill="none" stroke="#10202a" stroke-width="0.16" stroke-linejoin="round"
                stroke-dasharray=[(!style.dashes.is_empty()).then_some(style.dashes)] {}
        }
        @if let Some(site) = &spot.site { (site_mark(site)) }
    }
}

fn site_mark(site: &ExtractionSite) -> Markup {
    let [x, y] = site.centre_mm;
    let radius = site.head_diameter_mm / 2.0;
    let cross = format!(
        "M{} {}h1.6M{} {}v1.6",
        text(x - 0.8),
        text(y),
        text(x),
        text(y - 0.8)
    );
    html! {
        @for (colour, width) in [("#10202a", "0.3"), ("#ffffff", "0.14")] {
            circle cx=(Place(x)) cy=(Place(y)) r=(Place(radius)) fill="none" stroke=(colour) stroke-width=(width) {}
            path d=(cross) fill="none" stroke=(colour) stroke-width=(width) {}
        }
    }
}

/// Where the disc was taken: a dotted circle without a cross.
fn taken_mark(extraction: &ExtractionRecord, card: &CardRecord) -> Markup {
    let sites = card.spots.iter().filter_map(|spot| spot.site.as_ref());
    let radius = sites.map(|site| site.head_diameter_mm / 2.0).next();
    html! {
        @if let (Some([x, y]), Some(radius)) = (extraction.site_mm, radius) {
            circle cx=(Place(x)) cy=(Place(y)) r=(Place(radius)) fill="none" stroke="#ffffff" stroke-width="0.3" {}
            circle cx=(Place(x)) cy=(Place(y)) r=(Place(radius)) fill="none" stroke="#10202a" stroke-width="0.2"
                stroke-dasharray="0.3 0.5" {}
        }
    }
}

fn annotated(spot: &SpotRecord) -> Markup {
    let style = spot_style(spot);
    let centre = spot
        .measures
        .as_ref()
        .map(|measures| measures.centre_mm)
        .or(spot.expected_centre_mm);
    let lowest = spot
        .outline_mm
        .iter()
        .map(|point| point[1])
        .fold(f64::NEG_INFINITY, f64::max);
    html! {
        (shapes(spot))
        @if let Some([x, y]) = centre {
            @let below = if lowest.is_finite() { lowest } else { y + 1.0 };
            @let order = spot.use_order.map_or_else(String::new, |order| format!(", use {order}."));
            text x=(Place(x)) y=(Place(below + 2.1)) text-anchor="middle" font-size="1.7" font-weight="600"
                stroke="#ffffff" stroke-width="0.6" paint-order="stroke" stroke-linejoin="round" {
                (spot.index) " " (style.mark.shape) " " (style.mark.word) (order)
            }
        }
    }
}

fn scale_bar(picture: CardPicture<'_>) -> Markup {
    scale_bar_at(
        picture.left_top_mm[0] + 2.0,
        picture.left_top_mm[1] + picture.size_mm[1] - 2.0,
        10.0,
    )
}

fn scale_bar_at(x: f64, y: f64, length_mm: f64) -> Markup {
    let bar = format!("M{} {}v-0.8v0.4h{length_mm}v-0.4v0.8", text(x), text(y));
    html! {
        path d=(bar) fill="none" stroke="#ffffff" stroke-width="0.5" {}
        path d=(bar) fill="none" stroke="#10202a" stroke-width="0.2" {}
        text x=(Place(x + length_mm + 0.5)) y=(Place(y)) font-size="1.5" stroke="#ffffff" stroke-width="0.5"
            paint-order="stroke" { (length_mm) " mm" }
    }
}

fn outline(spot: &SpotRecord) -> String {
    let mut path = String::new();
    for (place, [x, y]) in spot.outline_mm.iter().enumerate() {
        path.push(if place == 0 { 'M' } else { 'L' });
        path.push_str(&text(*x));
        path.push(' ');
        path.push_str(&text(*y));
    }
    if !path.is_empty() {
        path.push('z');
    }
    path
}

struct Line {
    heavy: bool,
    text: String,
}

/// What stands under the card: whose it is, what is wrong with the photograph, each spot with its numbers and reasons.
fn lines(of: &LookRecord, width: f64) -> Vec<Line> {
    let mut lines = Vec::new();
    let room = ((width - 2.0 * MARGIN) * CHARACTERS_PER_UNIT) as usize;
    let mut push = |heavy: bool, text: &str| {
        for (place, piece) in wrapped(text, room).into_iter().enumerate() {
            let text = if place == 0 { piece } else { format!("    {piece}") };
            lines.push(Line { heavy, text });
        }
    };
    if of.simulated {
        push(true, "SIMULATED PHOTOGRAPH. Not for care.");
    }
    let scale = of.place.as_ref().map_or_else(String::new, |place| {
        format!(
            ", layout {}, {} px/mm, place ± {} mm",
            place.layout,
            Decimals(place.px_per_mm, 1).render().0,
            Decimals(place.position_u_mm, 2).render().0
        )
    });
    push(true, &format!("{}{scale} ({})", identity_sentence(of), of.file));
    for problem in of
        .problems
        .iter()
        .filter(|problem| problem.severity >= Severity::Comment)
    {
        let shape = crate::words::severity(problem.severity).shape;
        push(false, &format!("{shape} {}", problem.text));
    }
    for spot in of.card.iter().flat_map(|card| &card.spots) {
        push(false, &spot_line(spot));
    }
    for reason in of.card.iter().flat_map(|card| &card.reasons) {
        push(false, &reason.text);
    }
    if let Some(line) = after_line(of) {
        push(false, &line);
    }
    lines
}

pub(super) fn spot_line(spot: &SpotRecord) -> String {
    let style = spot_style(spot);
    let mut line = format!("{} {} {}", spot.index, style.mark.shape, style.mark.word);
    if let Some(measures) = &spot.measures {
        line += &format!(
            ", {} mm across, {} mm²",
            Decimals(measures.equivalent_diameter_mm, 2).render().0,
            Decimals(measures.area_mm2, 1).render().0
        );
    }
    if let Some(site) = &spot.site {
        line += &format!(
            "; disc at {}, {} mm, {} mm from the edge",
            Decimals(site.centre_mm[0], 2).render().0,
            Decimals(site.centre_mm[1], 2).render().0,
            Decimals(site.margin_mm, 2).render().0
        );
    }
    let reasons: Vec<&str> = spot.reasons.iter().map(|reason| reason.text.as_str()).collect();
    if !reasons.is_empty() {
        line += ". ";
        line += &reasons.join(" ");
    }
    line
}

fn description(of: &LookRecord) -> String {
    let spots: Vec<String> = of
        .card
        .iter()
        .flat_map(|card| &card.spots)
        .map(|spot| format!("spot {} {}", spot.index, spot_style(spot).mark.word))
        .collect();
    format!("{}: {}", identity_sentence(of), spots.join(", "))
}

/// A text in lines of at most `room` characters, broken at blanks.
fn wrapped(text: &str, room: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    let mut length = 0;
    for word in text.split_whitespace() {
        let more = word.chars().count();
        if length > 0 && length + 1 + more > room {
            lines.push(std::mem::take(&mut line));
            length = 0;
        }
        if length > 0 {
            line.push(' ');
            length += 1;
        }
        line.push_str(word);
        length += more;
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

/// A place or length in millimetres, to a hundredth.
struct Place(f64);

impl Render for Place {
    fn render_to(&self, out: &mut String) {
        out.push_str(&text(self.0));
    }
}

/// A length in drawing units, to a tenth.
struct Units(f64);

impl Render for Units {
    fn render_to(&self, out: &mut String) {
        push_coordinate(out, self.0);
    }
}

fn text(mm: f64) -> String {
    let hundredths = (mm * 100.0).round() as i64;
    let sign = if hundredths < 0 { "-" } else { "" };
    let (whole, rest) = (hundredths.unsigned_abs() / 100, hundredths.unsigned_abs() % 100);
    if rest == 0 {
        format!("{sign}{whole}")
    } else {
        format!("{sign}{whole}.{rest:02}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_texts_break_at_blanks_and_lose_nothing() {
        let lines = wrapped("one two three four", 9);
        assert_eq!(lines, ["one two", "three", "four"]);
        assert_eq!(lines.join(" "), "one two three four");
        assert!(wrapped("", 9).is_empty());
    }

    #[test]
    fn places_are_hundredths_of_a_millimetre() {
        assert_eq!(text(1.0), "1");
        assert_eq!(text(-0.255), "-0.26");
        assert_eq!(text(3.5), "3.50");
    }
}
