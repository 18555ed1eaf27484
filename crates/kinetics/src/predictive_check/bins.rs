//! Bins of time.

/// How levels are gathered in bins of time.
#[derive(Debug, Clone, PartialEq)]
pub enum Binning {
    /// About this many bins with about equally many levels; levels of one time are never parted.
    EqualCounts(usize),
    /// Bins between these times (h), rising; the last end is included.
    Edges(Vec<f64>),
}

impl Binning {
    /// In words.
    pub(super) fn sentence(&self, bins: usize) -> String {
        match self {
            Self::EqualCounts(_) => {
                format!("{bins} bins of about equally many levels, levels of one time together")
            }
            Self::Edges(edges) => {
                let edges: Vec<String> = edges.iter().map(ToString::to_string).collect();
                format!("bins from {} h", edges.join(", "))
            }
        }
    }

    /// Positions of the levels of each bin that has any; `None` when edges do not rise or leave a level out.
    pub(super) fn bins(&self, times_h: &[f64]) -> Option<Vec<Vec<usize>>> {
        let mut order: Vec<usize> = (0..times_h.len()).collect();
        order.sort_by(|a, b| times_h[*a].total_cmp(&times_h[*b]));
        match self {
            Self::EqualCounts(count) => Some(equal_counts(&order, times_h, (*count).max(1))),
            Self::Edges(edges) => between(&order, times_h, edges),
        }
    }
}

fn equal_counts(order: &[usize], times_h: &[f64], count: usize) -> Vec<Vec<usize>> {
    let mut bins: Vec<Vec<usize>> = Vec::new();
    let mut current: Vec<usize> = Vec::new();
    let mut left = order.len();
    for together in order.chunk_by(|a, b| times_h[*a].total_cmp(&times_h[*b]).is_eq()) {
        let bins_left = count.saturating_sub(bins.len()).max(1);
        let wanted = left as f64 / bins_left as f64;
        // Ends here when that is nearer to the wanted size than taking these too.
        let with = current.len() + together.len();
        if !current.is_empty()
            && bins.len() + 1 < count
            && (with as f64 - wanted).abs() >= (current.len() as f64 - wanted).abs()
        {
            left -= current.len();
            bins.push(std::mem::take(&mut current));
        }
        current.extend_from_slice(together);
    }
    if !current.is_empty() {
        bins.push(current);
    }
    bins
}

fn between(order: &[usize], times_h: &[f64], edges: &[f64]) -> Option<Vec<Vec<usize>>> {
    if edges.len() < 2 || !edges.windows(2).all(|pair| pair[0] < pair[1]) {
        return None;
    }
    let last = edges.len() - 2;
    let mut bins = vec![Vec::new(); edges.len() - 1];
    for index in order {
        let time_h = times_h[*index];
        if !(edges[0]..=edges[last + 1]).contains(&time_h) {
            return None;
        }
        let bin = edges
            .partition_point(|edge| *edge <= time_h)
            .saturating_sub(1)
            .min(last);
        bins[bin].push(*index);
    }
    bins.retain(|bin: &Vec<usize>| !bin.is_empty());
    Some(bins)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bins_keep_equal_times_together_and_lose_nothing() {
        let times = [0.0, 1.0, 1.0, 1.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
        let bins = Binning::EqualCounts(4).bins(&times).unwrap();
        let sizes: Vec<usize> = bins.iter().map(Vec::len).collect();
        assert_eq!(sizes.iter().sum::<usize>(), times.len());
        assert_eq!(bins.len(), 4);
        assert!(
            bins.iter().any(|bin| (1..=4).all(|index| bin.contains(&index))),
            "{bins:?}"
        );
    }

    #[test]
    fn edges_must_rise_and_hold_every_level() {
        let times = [0.5, 1.0, 2.0];
        assert_eq!(
            Binning::Edges(vec![0.0, 1.0, 2.0]).bins(&times),
            Some(vec![vec![0], vec![1, 2]])
        );
        assert_eq!(Binning::Edges(vec![0.0, 1.0]).bins(&times), None);
        assert_eq!(Binning::Edges(vec![2.0, 0.0]).bins(&times), None);
    }
}
