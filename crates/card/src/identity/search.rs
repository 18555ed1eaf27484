//! Where codes are looked for: first in the layout's regions, then on the rest of the card, then in the whole picture.

use super::reading::{Effort, Grey, Read, drawn_again, read as read_code, read_kind, turned};
use crate::photo::{Photo, PhotoError, Rectangle};
use crate::plane::{Homography, window_bounds};
use spotwright_domain::card::{Barcode, CardLayout, Region, Symbology};

/// Paper shown round a region (mm): a code may be printed a little off its place, and needs a quiet zone.
const MARGIN_MM: f64 = 2.0;

/// Reads every code; `place` is the layout and the map from its millimetres to stored pixels.
pub(crate) fn read(
    photo: &mut Photo<'_>,
    place: Option<(&CardLayout, &Homography)>,
) -> Result<Vec<Barcode>, PhotoError> {
    let mut found: Vec<Barcode> = Vec::new();
    if let Some((layout, map)) = place {
        for region in &layout.barcodes {
            look_in_region(photo, map, region, &mut found)?;
        }
        if !found.is_empty() {
            return Ok(found);
        }
        // Not where it should be: somewhere on the card, away from the spots if the layout says where they are.
        let whole = Region {
            left_mm: 0.0,
            top_mm: 0.0,
            width_mm: layout.width_mm,
            height_mm: layout.height_mm,
        };
        for scale in [10.0, 16.0] {
            if let Some((grey, window)) = take(photo, map, &whole, 0.0, scale)?
                && let Some(read) = read_code(&grey, Effort::Search)
            {
                found.push(barcode(photo, map, &window, &grey, read));
                return Ok(found);
            }
        }
    }
    in_whole_picture(photo, place.map(|(_, map)| map), &mut found)?;
    Ok(found)
}

/// A straightened grey window of the card.
struct Window {
    origin_mm: [f64; 2],
    pixels_per_mm: f64,
    /// Quarter turns clockwise the picture was given after it was taken.
    turns: u8,
    /// Size before turning.
    size: [usize; 2],
}

impl Window {
    fn to_mm(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        let [w, h] = self.size.map(|n| n as f64);
        let [x, y] = match self.turns % 4 {
            1 => [y, h - 1.0 - x],
            2 => [w - 1.0 - x, h - 1.0 - y],
            3 => [w - 1.0 - y, x],
            _ => [x, y],
        };
        [
            self.origin_mm[0] + x / self.pixels_per_mm,
            self.origin_mm[1] + y / self.pixels_per_mm,
        ]
    }
}

fn look_in_region(
    photo: &mut Photo<'_>,
    map: &Homography,
    region: &Region,
    found: &mut Vec<Barcode>,
) -> Result<(), PhotoError> {
    let own = map.stretch([region.left_mm, region.top_mm])[0];
    for (scale, effort) in [
        (12.0, Effort::Glance),
        (16.0, Effort::Search),
        (24.0, Effort::Search),
        (8.0, Effort::Search),
    ] {
        // Finer than the picture itself helps little.
        let scale = if scale > own { own.max(12.0) } else { scale };
        let Some((mut grey, mut window)) = take(photo, map, region, MARGIN_MM, scale)? else {
            return Ok(());
        };
        let mut any = false;
        // Two codes may share a region: what was read is painted over and the rest looked at again.
        while let Some(read) = read_code(&grey, if any { Effort::Glance } else { effort }) {
            paint_over(&mut grey, &read);
            found.push(barcode(photo, map, &window, &grey, read));
            any = true;
            if found.len() >= 4 {
                break;
            }
        }
        if any {
            return Ok(());
        }
        if effort == Effort::Search {
            for turn in 0..2 {
                let middle = [(1, 3, 4), (1, 2, 4), (2, 3, 4), (2, 9, 20), (11, 18, 20)];
                for (from, to, parts) in middle {
                    let rows = drawn_again(&grey, grey.height * from / parts, grey.height * to / parts);
                    if let Some(mut read) = read_kind(&rows, Symbology::Code128, Effort::Search) {
                        let centre = grey.height as f64 * f64::from(from as u32 + to as u32)
                            / (2.0 * f64::from(parts as u32));
                        for point in &mut read.points {
                            *point = [point[0] / 4.0, centre];
                        }
                        found.push(barcode(photo, map, &window, &grey, read));
                        return Ok(());
                    }
                }
                if turn == 0 {
                    grey = turned(&grey);
                    window.turns = 1;
                    if let Some(read) = read_kind(&grey, Symbology::Code128, Effort::Search) {
                        found.push(barcode(photo, map, &window, &grey, read));
                        return Ok(());
                    }
                }
            }
        }
    }
    Ok(())
}

/// Takes a straightened grey picture of a region and its surroundings.
fn take(
    photo: &mut Photo<'_>,
    map: &Homography,
    region: &Region,
    margin_mm: f64,
    pixels_per_mm: f64,
) -> Result<Option<(Grey, Window)>, PhotoError> {
    let centre = [
        region.left_mm + region.width_mm / 2.0,
        region.top_mm + region.height_mm / 2.0,
    ];
    let half = [
        region.width_mm / 2.0 + margin_mm,
        region.height_mm / 2.0 + margin_mm,
    ];
    let Some(bounds) = window_bounds(photo, map, centre, half) else {
        return Ok(None);
    };
    photo.need(&[bounds])?;
    let size = half.map(|h| ((2.0 * h * pixels_per_mm) as usize).clamp(1, 2400));
    let origin_mm = [centre[0] - half[0], centre[1] - half[1]];
    let window = Window {
        origin_mm,
        pixels_per_mm,
        turns: 0,
        size,
    };
    let raster = photo.raster();
    let mut values = Vec::with_capacity(size[0] * size[1]);
    const STRIDE: usize = 16;
    for y in 0..size[1] {
        let mut x = 0;
        while x < size[0] {
            let end = (x + STRIDE).min(size[0]);
            let a = map.map(window.to_mm([x as f64, y as f64]));
            let b = map.map(window.to_mm([end as f64, y as f64]));
            for k in 0..end - x {
                let t = k as f64 / (end - x) as f64;
                let value = raster.grey_at([a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])]);
                values.push((value + 0.5) as u8);
            }
            x = end;
        }
    }
    let grey = Grey {
        width: size[0],
        height: size[1],
        values,
    };
    Ok(Some((grey, window)))
}

/// Paints white over a code that was read.
fn paint_over(grey: &mut Grey, read: &Read) {
    let [x0, y0, x1, y1] = extent(&read.points);
    let grow = match read.symbology {
        // Points lie on one line across the bars.
        Symbology::Code128 => [6.0, grey.height as f64],
        Symbology::QrCode | Symbology::DataMatrix => [0.25 * (x1 - x0) + 4.0, 0.25 * (y1 - y0) + 4.0],
    };
    let clamp = |v: f64, size: usize| v.clamp(0.0, size as f64) as usize;
    let (left, right) = (clamp(x0 - grow[0], grey.width), clamp(x1 + grow[0], grey.width));
    for y in clamp(y0 - grow[1], grey.height)..clamp(y1 + grow[1], grey.height) {
        grey.values[y * grey.width + left..y * grey.width + right].fill(255);
    }
}

fn extent(points: &[[f64; 2]]) -> [f64; 4] {
    let mut out = [f64::MAX, f64::MAX, f64::MIN, f64::MIN];
    for [x, y] in points {
        out = [out[0].min(*x), out[1].min(*y), out[2].max(*x), out[3].max(*y)];
    }
    if points.is_empty() { [0.0; 4] } else { out }
}

/// A code with its corners on the card and in the photograph.
fn barcode(photo: &Photo<'_>, map: &Homography, window: &Window, grey: &Grey, read: Read) -> Barcode {
    let [x0, mut y0, x1, mut y1] = extent(&read.points);
    if read.symbology == Symbology::Code128 {
        // The bars' ends are not told: a strip about the line they were read along.
        let half = 0.15 * grey.height as f64;
        (y0, y1) = ((y0 - half).max(0.0), (y1 + half).min(grey.height as f64));
    }
    let corners_mm = [[x0, y0], [x1, y0], [x1, y1], [x0, y1]].map(|p| window.to_mm(p));
    Barcode {
        text: read.text,
        symbology: read.symbology,
        corners_mm: Some(corners_mm),
        corners_px: corners_mm.map(|p| photo.to_upright(map.map(p))),
    }
}

/// Longest side of the picture that is searched as a whole (pixels).
const WHOLE_SIDE: usize = 1600;

fn in_whole_picture(
    photo: &mut Photo<'_>,
    map: Option<&Homography>,
    found: &mut Vec<Barcode>,
) -> Result<(), PhotoError> {
    let (width, height) = (photo.raster().width(), photo.raster().height());
    photo.need(&[Rectangle {
        x0: 0,
        y0: 0,
        x1: width,
        y1: height,
    }])?;
    let k = width.max(height).div_ceil(WHOLE_SIDE).max(1);
    let (w, h) = (width / k, height / k);
    let raster = photo.raster();
    let mut values = Vec::with_capacity(w * h);
    for y in 0..h {
        for x in 0..w {
            let middle = |at: usize| (at * k) as f64 + (k as f64 - 1.0) / 2.0;
            values.push((raster.grey_at([middle(x), middle(y)]) + 0.5) as u8);
        }
    }
    let grey = Grey {
        width: w,
        height: h,
        values,
    };
    let upright = read_code(&grey, Effort::Search).map(|read| (read, false));
    let either = upright
        .or_else(|| read_kind(&turned(&grey), Symbology::Code128, Effort::Search).map(|read| (read, true)));
    if let Some((read, is_turned)) = either {
        let [x0, y0, x1, y1] = extent(&read.points);
        let stored = [[x0, y0], [x1, y0], [x1, y1], [x0, y1]].map(|[x, y]| {
            let [x, y] = if is_turned {
                [y, h as f64 - 1.0 - x]
            } else {
                [x, y]
            };
            [x, y].map(|c| c * k as f64 + (k as f64 - 1.0) / 2.0)
        });
        found.push(Barcode {
            text: read.text,
            symbology: read.symbology,
            corners_mm: map
                .and_then(Homography::inverse)
                .map(|back| stored.map(|p| back.map(p))),
            corners_px: stored.map(|p| photo.to_upright(p)),
        });
    }
    Ok(())
}
