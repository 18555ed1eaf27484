//! A photograph as a card: where it lies, what is wrong with the picture, its codes, and a window on every spot.

use crate::identity;
use crate::light::{self, Surface, linear_table};
use crate::patch::{Patch, flag};
use crate::photo::{Photo, PhotoError, PhotoFacts};
use crate::plane::{Fate, Homography, Located, locate, window_bounds};
use crate::problems::{self, Judged};
use crate::straighten::{Grid, Straightened, paper, straighten};
use spotwright_domain::card::{Barcode, CardLayout, CardPlace, PhotoLimits, PhotoProblem};

/// How photographs are looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhotoSettings {
    /// Limits of refusals and comments.
    pub limits: PhotoLimits,
    /// Finest resolution of windows on spots (px/mm); never finer than the photograph.
    pub patch_pixels_per_mm: f64,
    /// Paper shown around each printed circle (mm).
    pub margin_mm: f64,
    /// Whether codes are read.
    pub read_codes: bool,
}

impl Default for PhotoSettings {
    fn default() -> Self {
        Self {
            limits: PhotoLimits::default(),
            patch_pixels_per_mm: 12.0,
            margin_mm: 3.0,
            read_codes: true,
        }
    }
}

/// A window on one spot position, or on the whole plane of a card without circles.
#[derive(Debug, Clone, PartialEq)]
pub struct SpotWindow {
    /// Number of the printed circle; `None`: spots may lie anywhere in it.
    pub circle: Option<u32>,
    /// Its pixels.
    pub patch: Patch,
}

/// A photograph as a card.
#[derive(Debug)]
pub struct CardView<'a> {
    photo: Photo<'a>,
    map: Option<Homography>,
    /// Index of the layout recognised.
    pub layout: Option<usize>,
    /// Where the card lies; `None`: no card was found.
    pub place: Option<CardPlace>,
    /// What is wrong, heaviest first.
    pub problems: Vec<PhotoProblem>,
    /// Every code read.
    pub barcodes: Vec<Barcode>,
    /// One window a printed circle within the frame, in the order of the layout; one in all for cards without circles.
    pub windows: Vec<SpotWindow>,
}

/// Eight-bit picture of a rectangle of the card, upright as printed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Crop {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Red, green, blue, row by row (sRGB).
    pub rgb: Vec<u8>,
}

/// Most grid points of the window of a card without circles.
const MAX_FREE_POINTS: f64 = 1.5e6;

/// Looks at a photograph.
///
/// # Errors
/// The bytes are no photograph that can be read; everything a photograph shows, even no card at all, is a
/// [`CardView`] with problems.
pub fn look_at_photo<'a>(
    bytes: &'a [u8],
    layouts: &[CardLayout],
    settings: &PhotoSettings,
) -> Result<CardView<'a>, PhotoError> {
    let mut photo = Photo::open(bytes)?;
    let mut problems = problems::of_file(&photo.facts);
    let located = locate(&mut photo, layouts)?;
    let barcodes = if settings.read_codes {
        let place = located.as_ref().map(|l| (&layouts[l.layout], &l.map));
        identity::read(&mut photo, place)?
    } else {
        Vec::new()
    };
    let Some(located) = located else {
        problems.push(problems::no_card());
        return Ok(CardView {
            photo,
            map: None,
            layout: None,
            place: None,
            problems,
            barcodes,
            windows: Vec::new(),
        });
    };
    let layout = &layouts[located.layout];
    let shown = windows(&mut photo, layout, &located, settings)?;
    let judged: Vec<Judged<'_>> = shown
        .iter()
        .map(|s| Judged {
            circle: s
                .window
                .circle
                .and_then(|n| layout.circles.iter().find(|c| c.number == n)),
            patch: &s.window.patch,
            surface: &s.surface,
            has_own_paper: s.has_own_paper,
        })
        .collect();
    problems.extend(problems::of_card(
        &photo,
        layout,
        &located,
        &judged,
        &settings.limits,
    ));
    if settings.read_codes && barcodes.is_empty() && !layout.barcodes.is_empty() {
        problems.push(problems::code_not_read());
    }
    problems.sort_by(|a, b| {
        b.severity
            .cmp(&a.severity)
            .then(a.code.cmp(&b.code))
            .then(a.circle.cmp(&b.circle))
    });
    let place = place(&photo, layout, &located);
    let is_trusted = problems::is_place_trusted(&problems);
    let windows = shown
        .into_iter()
        .filter(|_| is_trusted)
        .map(|s| s.window)
        .collect();
    Ok(CardView {
        map: Some(located.map),
        photo,
        layout: Some(located.layout),
        place: Some(place),
        problems,
        barcodes,
        windows,
    })
}

impl CardView<'_> {
    /// What the file said about itself.
    #[must_use]
    pub fn facts(&self) -> &PhotoFacts {
        &self.photo.facts
    }

    /// Pixels of the upright photograph (pixel centres at whole numbers) of a place on the card (mm).
    #[must_use]
    pub fn to_photo(&self, place_mm: [f64; 2]) -> Option<[f64; 2]> {
        self.map.map(|map| self.photo.to_upright(map.map(place_mm)))
    }

    /// Place on the card (mm) of a pixel of the upright photograph.
    #[must_use]
    pub fn to_card(&self, pixel: [f64; 2]) -> Option<[f64; 2]> {
        let whole = Homography(self.photo.upright_matrix()).after(&self.map?);
        Some(whole.inverse()?.map(pixel))
    }

    /// A straightened picture of a rectangle of the card, white beyond the photograph.
    ///
    /// # Errors
    /// The file turns out to be damaged where it was not looked at before.
    pub fn crop(
        &mut self,
        from_mm: [f64; 2],
        to_mm: [f64; 2],
        pixels_per_mm: f64,
    ) -> Result<Option<Crop>, PhotoError> {
        let Some(map) = self.map else { return Ok(None) };
        let grid = Grid::over(from_mm, to_mm, pixels_per_mm);
        if grid.width * grid.height > 16_000_000 || to_mm[0] <= from_mm[0] || to_mm[1] <= from_mm[1] {
            return Ok(None);
        }
        need(&mut self.photo, &map, from_mm, to_mm)?;
        let table = linear_table();
        let window = straighten(self.photo.raster(), &map, grid, &table);
        let coded = coded_table();
        let mut rgb = Vec::with_capacity(window.light.len() * 3);
        for (value, flags) in window.light.iter().zip(&window.flags) {
            if flags & flag::OUTSIDE != 0 {
                rgb.extend([255; 3]);
            } else {
                rgb.extend(value.map(|v| coded[(v.clamp(0.0, 1.0) * 4095.0 + 0.5) as usize]));
            }
        }
        Ok(Some(Crop {
            width: grid.width,
            height: grid.height,
            rgb,
        }))
    }
}

/// sRGB code of 4096 steps of linear light.
fn coded_table() -> Vec<u8> {
    (0..4096).map(|k| light::coded(k as f32 / 4095.0)).collect()
}

/// A window to be taken: circle, corners (mm), resolution (px/mm).
type Wanted = (Option<u32>, [f64; 2], [f64; 2], f64);

/// A window and the light on it.
struct Shown {
    window: SpotWindow,
    surface: Surface,
    has_own_paper: bool,
}

fn need(photo: &mut Photo<'_>, map: &Homography, from: [f64; 2], to: [f64; 2]) -> Result<(), PhotoError> {
    let centre = [(from[0] + to[0]) / 2.0, (from[1] + to[1]) / 2.0];
    let half = [(to[0] - from[0]) / 2.0, (to[1] - from[1]) / 2.0];
    let bounds = window_bounds(photo, map, centre, half);
    photo.need(bounds.as_slice())
}

fn windows(
    photo: &mut Photo<'_>,
    layout: &CardLayout,
    located: &Located,
    settings: &PhotoSettings,
) -> Result<Vec<Shown>, PhotoError> {
    let table = linear_table();
    let (card_width, card_height) = (layout.width_mm, layout.height_mm);
    let mut rectangles: Vec<Wanted> = Vec::new();
    if layout.circles.is_empty() {
        let (from, to) = if located.is_frame {
            frame(photo, &located.map)
        } else {
            ([0.0, 0.0], [card_width, card_height])
        };
        let area = (to[0] - from[0]) * (to[1] - from[1]);
        let [large, _] = located
            .map
            .stretch([(from[0] + to[0]) / 2.0, (from[1] + to[1]) / 2.0]);
        let scale = settings
            .patch_pixels_per_mm
            .min(large)
            .min((MAX_FREE_POINTS / area.max(1.0)).sqrt());
        rectangles.push((None, from, to, scale));
    }
    for (circle, fate) in layout.circles.iter().zip(&located.circles) {
        if *fate == Fate::Outside {
            continue;
        }
        let half = circle.diameter_mm / 2.0 + settings.margin_mm;
        let [_, small] = located.map.stretch(circle.centre_mm);
        let scale = settings.patch_pixels_per_mm.min(small.max(1.0));
        let [x, y] = circle.centre_mm;
        rectangles.push((
            Some(circle.number),
            [x - half, y - half],
            [x + half, y + half],
            scale,
        ));
    }
    let bounds: Vec<_> = rectangles
        .iter()
        .filter_map(|(_, from, to, _)| {
            let centre = [(from[0] + to[0]) / 2.0, (from[1] + to[1]) / 2.0];
            window_bounds(
                photo,
                &located.map,
                centre,
                [(to[0] - from[0]) / 2.0, (to[1] - from[1]) / 2.0],
            )
        })
        .collect();
    photo.need(&bounds)?;
    let mut shown = Vec::new();
    for (circle, from, to, scale) in rectangles {
        let grid = Grid::over(from, to, scale);
        let mut window = straighten(photo.raster(), &located.map, grid, &table);
        mark(&mut window, layout, located);
        let degree = if circle.is_some() { 2 } else { 3 };
        let own = paper(&window, degree).filter(|surface| surface.paper_share > 0.08);
        let has_own_paper = own.is_some();
        let Some(surface) = own.or_else(|| card_surface(photo, layout, located, &grid, &table)) else {
            continue;
        };
        let patch = window.even(&surface, located.blur_mm.unwrap_or(0.0));
        shown.push(Shown {
            window: SpotWindow { circle, patch },
            surface,
            has_own_paper,
        });
    }
    Ok(shown)
}

/// The whole frame in the plane's millimetres.
fn frame(photo: &Photo<'_>, map: &Homography) -> ([f64; 2], [f64; 2]) {
    let (w, h) = (photo.raster().width() as f64, photo.raster().height() as f64);
    let Some(back) = map.inverse() else {
        return ([0.0; 2], [1.0; 2]);
    };
    let (a, b) = (back.map([-0.5, -0.5]), back.map([w - 0.5, h - 0.5]));
    ([a[0].min(b[0]), a[1].min(b[1])], [a[0].max(b[0]), a[1].max(b[1])])
}

/// Half the width of a circle's line that is marked as print (mm).
const LINE_HALF_MM: f64 = 0.4;

/// Marks what is printed and what lies off the card.
fn mark(window: &mut Straightened, layout: &CardLayout, located: &Located) {
    let grid = window.grid;
    if !located.is_frame {
        for row in 0..grid.height {
            let y = grid.to_mm(0.0, row as f64)[1];
            let row_off = y < 0.0 || y > layout.height_mm;
            for column in 0..grid.width {
                let x = grid.to_mm(column as f64, 0.0)[0];
                if row_off || x < 0.0 || x > layout.width_mm {
                    window.flags[row * grid.width + column] |= flag::OFF_CARD;
                }
            }
        }
    }
    let mut fill = |from: [f64; 2], to: [f64; 2], is_print: &dyn Fn(f64, f64) -> bool| {
        let index = |mm: f64, axis: usize, size: usize| {
            ((mm - grid.origin_mm[axis]) * grid.pixels_per_mm).clamp(0.0, size as f64) as usize
        };
        for row in index(from[1], 1, grid.height)..(index(to[1], 1, grid.height) + 1).min(grid.height) {
            for column in index(from[0], 0, grid.width)..(index(to[0], 0, grid.width) + 1).min(grid.width) {
                let [x, y] = grid.to_mm(column as f64, row as f64);
                if is_print(x, y) {
                    window.flags[row * grid.width + column] |= flag::PRINT;
                }
            }
        }
    };
    for (circle, fate) in layout.circles.iter().zip(&located.circles) {
        if *fate == Fate::Missing {
            continue;
        }
        let [cx, cy] = circle.centre_mm;
        let radius = circle.diameter_mm / 2.0;
        let (inner, outer) = (radius - LINE_HALF_MM, radius + LINE_HALF_MM);
        fill([cx - outer, cy - outer], [cx + outer, cy + outer], &|x, y| {
            let d = (x - cx) * (x - cx) + (y - cy) * (y - cy);
            d >= inner * inner && d <= outer * outer
        });
    }
    for fiducial in &layout.fiducials {
        let half = fiducial.size_mm / 2.0 + 0.3;
        let [x, y] = fiducial.centre_mm;
        fill([x - half, y - half], [x + half, y + half], &|px, py| {
            (px - x).abs() <= half && (py - y).abs() <= half
        });
    }
    for region in layout.barcodes.iter().chain(&layout.labels) {
        let (left, top) = (region.left_mm, region.top_mm);
        let (right, bottom) = (left + region.width_mm, top + region.height_mm);
        fill([left, top], [right, bottom], &|x, y| {
            x >= left && x <= right && y >= top && y <= bottom
        });
    }
}

/// The light on all the card's paper, from the overview, for a window without paper of its own.
fn card_surface(
    photo: &Photo<'_>,
    layout: &CardLayout,
    located: &Located,
    grid: &Grid,
    table: &[f32; 256],
) -> Option<Surface> {
    let back = located.map.inverse()?;
    let overview = &photo.overview;
    let mut samples = Vec::new();
    for row in 0..overview.height {
        for column in 0..overview.width {
            let [x, y] = back.map(overview.to_stored([column as f64, row as f64]));
            let is_on_card = x > 1.5 && y > 1.5 && x < layout.width_mm - 1.5 && y < layout.height_mm - 1.5;
            if !located.is_frame && !is_on_card {
                continue;
            }
            // In the window's own coordinates, so that the surface serves it directly.
            let half = [grid.width as f64 / 2.0, grid.height as f64 / 2.0].map(|n| n / grid.pixels_per_mm);
            let middle = grid.to_mm((grid.width as f64 - 1.0) / 2.0, (grid.height as f64 - 1.0) / 2.0);
            let place = [
                ((x - middle[0]) / half[0]) as f32,
                ((y - middle[1]) / half[1]) as f32,
            ];
            let pixel = overview.rgb[row * overview.width + column];
            samples.push((place, pixel.map(|v| table[usize::from(v)])));
        }
    }
    light::fit(&samples, 2)
}

fn place(photo: &Photo<'_>, layout: &CardLayout, located: &Located) -> CardPlace {
    let whole = Homography(photo.upright_matrix()).after(&located.map).scaled();
    let count = |fates: &[Fate]| fates.iter().filter(|f| **f == Fate::Found).count();
    CardPlace {
        layout: layout.id.clone(),
        card_to_photo: whole.0,
        px_per_mm: problems::scale_at(photo, &located.map, problems::middle(layout)),
        position_u_mm: located.position_u_mm,
        residual_mm: located.residual_mm,
        circles_found: count(&located.circles),
        fiducials_found: count(&located.fiducials),
        edges_found: located.sides.iter().flatten().count(),
    }
}
