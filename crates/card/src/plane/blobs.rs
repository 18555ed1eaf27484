//! Compact dark blobs of an overview: printed marks, and with them blood and bits of text.

use super::evidence::Scene;

/// A blob.
#[derive(Debug, Clone, Copy)]
pub(super) struct Blob {
    pub(super) centre: [f64; 2],
    pub(super) area: f64,
}

/// Most blobs that are looked at.
const MOST: usize = 60;

/// Blobs of 4 pixels to a hundredth of the picture, in the order of rows.
pub(super) fn find(scene: &Scene) -> Vec<Blob> {
    let (width, height) = (scene.width, scene.height);
    let dark = darker_than_around(scene);
    let mut label = vec![false; width * height];
    let mut stack = Vec::new();
    let mut blobs = Vec::new();
    let largest = width * height / 100;
    for start in 0..width * height {
        if !dark[start] || label[start] {
            continue;
        }
        label[start] = true;
        stack.push(start);
        let (mut count, mut weight, mut sx, mut sy) = (0usize, 0.0f64, 0.0f64, 0.0f64);
        let (mut x0, mut y0, mut x1, mut y1) = (width, height, 0, 0);
        while let Some(at) = stack.pop() {
            let (x, y) = (at % width, at / width);
            count += 1;
            let w = f64::from(256.0 - scene.grey[at]);
            weight += w;
            sx += w * x as f64;
            sy += w * y as f64;
            x0 = x0.min(x);
            x1 = x1.max(x);
            y0 = y0.min(y);
            y1 = y1.max(y);
            let mut visit = |next: usize| {
                if dark[next] && !label[next] {
                    label[next] = true;
                    stack.push(next);
                }
            };
            if x > 0 {
                visit(at - 1);
            }
            if x + 1 < width {
                visit(at + 1);
            }
            if y > 0 {
                visit(at - width);
            }
            if y + 1 < height {
                visit(at + width);
            }
        }
        let (w, h) = (x1 - x0 + 1, y1 - y0 + 1);
        let touches = x0 == 0 || y0 == 0 || x1 + 1 == width || y1 + 1 == height;
        let compact = w <= 2 * h + 1 && h <= 2 * w + 1 && count * 20 >= w * h * 9;
        if (4..=largest).contains(&count) && compact && !touches {
            blobs.push(Blob {
                centre: [sx / weight, sy / weight],
                area: count as f64,
            });
        }
    }
    if blobs.len() > MOST {
        // Marks are among the larger ones; what is smaller is text.
        blobs.sort_by(|a, b| b.area.total_cmp(&a.area));
        blobs.truncate(MOST);
    }
    blobs
}

/// Places at most 0.7 times as bright as the brighter of their far surroundings.
fn darker_than_around(scene: &Scene) -> Vec<bool> {
    let (width, height) = (scene.width, scene.height);
    let reach = (width.max(height) / 16).max(4);
    let sums = integral(&scene.grey, width, height);
    let mean = |x0: usize, y0: usize, x1: usize, y1: usize| {
        let s = |x: usize, y: usize| sums[y * (width + 1) + x];
        (s(x1, y1) - s(x0, y1) - s(x1, y0) + s(x0, y0)) / ((x1 - x0) * (y1 - y0)) as f64
    };
    let mut out = vec![false; width * height];
    for y in 0..height {
        let (y0, y1) = (y.saturating_sub(reach), (y + reach + 1).min(height));
        for x in 0..width {
            let (x0, x1) = (x.saturating_sub(reach), (x + reach + 1).min(width));
            let around = mean(x0, y0, x1, y1);
            out[y * width + x] = f64::from(scene.grey[y * width + x]) < 0.72 * around;
        }
    }
    out
}

fn integral(grey: &[f32], width: usize, height: usize) -> Vec<f64> {
    let mut sums = vec![0.0; (width + 1) * (height + 1)];
    for y in 0..height {
        let mut row = 0.0;
        for x in 0..width {
            row += f64::from(grey[y * width + x]);
            sums[(y + 1) * (width + 1) + x + 1] = sums[y * (width + 1) + x + 1] + row;
        }
    }
    sums
}
