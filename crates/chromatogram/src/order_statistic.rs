//! Medians and other order statistics of the few hundred points of a window.
//!
//! Several are asked for in every chromatogram. A general selection spends its time on branches that nobody can foresee;
//! here a sorted sample brackets the value sought, one pass without branches keeps what lies in the bracket, and a
//! sorting network ends it.

/// Points that are sorted outright, and the size of the sample.
const FEW: usize = 16;
/// How many places of the sorted sample the bracket reaches to either side: about one and a half standard deviations of the
/// place where the value sought belongs, so that a second pass is rare.
const REACH: usize = 3;
/// Most points for the fast way.
const MANY: usize = 512;

/// Room for what brackets keep, reused from call to call. Its content never influences a result.
#[derive(Debug, Default)]
pub(crate) struct Kept {
    first: Vec<i64>,
    second: Vec<i64>,
}

/// The value below which the share `p` of the values lies (the nearest order statistic), in the order of
/// [`f64::total_cmp`]; values in any order.
pub(crate) fn order_statistic(values: &mut [f64], p: f64, kept: &mut Kept) -> Option<f64> {
    let last = values.len().checked_sub(1)?;
    let place = ((p * last as f64) as usize).min(last);
    if let Some(key) = fast(values, place, kept) {
        return Some(f64::from_bits(turn(key) as u64));
    }
    let (_, at, _) = values.select_nth_unstable_by(place, f64::total_cmp);
    Some(*at)
}

/// A number's bits, turned such that whole numbers stand in the order of [`f64::total_cmp`]; and back. Whole numbers are
/// compared and exchanged without branches.
#[inline]
fn turn(bits: i64) -> i64 {
    bits ^ ((bits >> 63) as u64 >> 1) as i64
}

#[inline]
fn key(value: &f64) -> i64 {
    turn(value.to_bits() as i64)
}

/// `None` where there are too many values, or too many equal ones.
fn fast(values: &[f64], place: usize, kept: &mut Kept) -> Option<i64> {
    if values.len() > MANY {
        return None;
    }
    if values.len() <= FEW {
        return Some(of_few(values.iter().map(key), place));
    }
    kept.first.resize(MANY, 0);
    kept.second.resize(MANY, 0);
    let (mut from, mut to) = (kept.first.first_chunk_mut()?, kept.second.first_chunk_mut()?);
    let (mut place, mut count) = bracketed(values, key, place, from)?;
    while count > FEW {
        let before = count;
        (place, count) = bracketed(&from[..count], |key| *key, place, to)?;
        if count == before {
            return None;
        }
        (from, to) = (to, from);
    }
    Some(of_few(from[..count].iter().copied(), place))
}

/// Puts the values of a bracket around the one sought into `kept`; gives its place among them and their number.
fn bracketed<T>(
    values: &[T],
    key: impl Fn(&T) -> i64,
    place: usize,
    kept: &mut [i64; MANY],
) -> Option<(usize, usize)> {
    let n = values.len();
    let mut sample = std::array::from_fn(|nth| key(&values[(2 * nth + 1) * n / (2 * FEW)]));
    sort(&mut sample);
    let middle = place * FEW / n;
    let low = middle.checked_sub(REACH).map_or(i64::MIN, |at| sample[at]);
    let high = sample.get(middle + REACH).copied().unwrap_or(i64::MAX);
    let (below, count) = keep(values, &key, [low, high], kept);
    if below <= place && place < below + count {
        return Some((place - below, count));
    }
    // Missed: it lies on one side of the bracket.
    let side = if place < below {
        [i64::MIN, low]
    } else {
        [high, i64::MAX]
    };
    let (below, count) = keep(values, &key, side, kept);
    (below <= place && place < below + count).then(|| (place - below, count))
}

/// Keeps what lies between two keys or is one of them; gives how many lie below and how many were kept.
#[inline]
fn keep<T>(
    values: &[T],
    key: &impl Fn(&T) -> i64,
    [low, high]: [i64; 2],
    kept: &mut [i64; MANY],
) -> (usize, usize) {
    if low > high {
        return (0, 0);
    }
    // As unsigned numbers from `low` on, one comparison tells both.
    let width = high.wrapping_sub(low) as u64;
    let (mut below, mut count) = (0, 0);
    for value in values {
        let key = key(value);
        // Never more than there are values, which is at most `MANY`; the remainder spares a check.
        kept[count % MANY] = key;
        below += usize::from(key < low);
        count += usize::from(key.wrapping_sub(low) as u64 <= width);
    }
    (below, count)
}

/// At most [`FEW`] values.
fn of_few(keys: impl Iterator<Item = i64>, place: usize) -> i64 {
    let mut all = [i64::MAX; FEW];
    for (to, key) in all.iter_mut().zip(keys) {
        *to = key;
    }
    sort(&mut all);
    all[place]
}

/// Sorts without a branch: Batcher's odd-even merge network (K. E. Batcher, AFIPS Spring Joint Computing Conference 32
/// (1968) 307).
fn sort(keys: &mut [i64; FEW]) {
    merge_step::<1, 1>(keys);
    merge_step::<2, 2>(keys);
    merge_step::<2, 1>(keys);
    merge_step::<4, 4>(keys);
    merge_step::<4, 2>(keys);
    merge_step::<4, 1>(keys);
    merge_step::<8, 8>(keys);
    merge_step::<8, 4>(keys);
    merge_step::<8, 2>(keys);
    merge_step::<8, 1>(keys);
}

/// One step of merging sorted pieces of `PIECE` keys to pieces of twice that: keys `APART` from each other are put into
/// order. With both numbers fixed the compiler knows every pair.
#[inline(always)]
fn merge_step<const PIECE: usize, const APART: usize>(keys: &mut [i64; FEW]) {
    let first = APART % PIECE;
    for low in first..FEW - APART {
        let high = low + APART;
        let same_piece = low / (2 * PIECE) == high / (2 * PIECE);
        if same_piece && ((low - first) / APART).is_multiple_of(2) {
            let (a, b) = (keys[low], keys[high]);
            keys[low] = a.min(b);
            keys[high] = a.max(b);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// The definition: the value at that place of the sorted values.
    fn by_sorting(values: &[f64], p: f64) -> f64 {
        let mut sorted = values.to_vec();
        sorted.sort_by(f64::total_cmp);
        sorted[(p * (values.len() - 1) as f64) as usize]
    }

    /// A network sorts everything when it sorts every sequence of zeros and ones (D. E. Knuth, The Art of Computer
    /// Programming 3, 5.3.4, theorem Z).
    #[test]
    fn the_network_sorts_every_sequence_of_zeros_and_ones() {
        for bits in 0..1_u32 << FEW {
            let mut keys: [i64; FEW] = std::array::from_fn(|at| i64::from(bits >> at & 1));
            sort(&mut keys);
            assert!(keys.is_sorted(), "{bits:b}");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn it_is_the_value_at_its_place_among_the_sorted(
            mut values in prop::collection::vec(-1e6..1e6_f64, 1..700),
            p in 0.0..=1.0_f64,
        ) {
            let expected = by_sorting(&values, p);
            prop_assert_eq!(order_statistic(&mut values, p, &mut Kept::default()), Some(expected));
        }

        #[test]
        fn equal_values_and_order_already_there_do_not_matter(
            mut values in prop::collection::vec(0..6_u8, 1..400),
            p in 0.0..=1.0_f64,
            sorted in any::<bool>(),
        ) {
            if sorted {
                values.sort_unstable();
            }
            let mut values: Vec<f64> = values.into_iter().map(f64::from).collect();
            let expected = by_sorting(&values, p);
            prop_assert_eq!(order_statistic(&mut values, p, &mut Kept::default()), Some(expected));
        }
    }

    /// IEEE 754-2019, 5.10: the total order.
    #[test]
    fn what_is_no_number_counts_as_largest() {
        let mut values: Vec<f64> = (0..40).map(f64::from).collect();
        values[3] = f64::NAN;
        assert_eq!(
            order_statistic(&mut values, 0.5, &mut Kept::default()),
            Some(20.0)
        );
        assert_eq!(
            order_statistic(&mut [f64::NAN, 1.0], 0.0, &mut Kept::default()),
            Some(1.0)
        );
        assert!(
            order_statistic(&mut [0.0, -0.0], 0.0, &mut Kept::default()).is_some_and(f64::is_sign_negative)
        );
        assert_eq!(order_statistic(&mut [], 0.5, &mut Kept::default()), None);
    }
}
