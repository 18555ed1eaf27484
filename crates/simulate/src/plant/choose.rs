//! Which sample a fault meets: one that no other fault has met, fit to show it.

use super::Planter;
use crate::error::SimulateError;
use crate::fault::Fault;

impl Planter<'_> {
    /// A sample in which this analyte was asked for and stands in mid-range.
    pub(super) fn sample(&mut self, fault: Fault, analyte: usize) -> Result<usize, SimulateError> {
        self.pick(fault, |planter, place| {
            planter.alone(place) && planter.in_mid_range(place, analyte)
        })
    }

    /// A sample in which this analyte was asked for, followed by two others whose concentration can be set or makes
    /// what is left of a strong predecessor negligible.
    pub(super) fn sample_followed(&mut self, fault: Fault, analyte: usize) -> Result<usize, SimulateError> {
        let of = &self.panel.method.analytes[analyte];
        let place = self.pick(fault, |planter, place| {
            let usable = |at: usize| {
                at < planter.taken.len() && !planter.taken[at] && planter.sequence.lines[at].card.is_some()
            };
            let bears = |at: usize| {
                let concentration = planter.sequence.lines[at].concentrations[analyte];
                concentration <= 0.0 || concentration >= 20.0 * of.lloq()
            };
            usable(place + 1)
                && usable(place + 2)
                && planter.alone(place)
                && planter.alone(place + 1)
                && planter.asks(place, analyte)
                && (planter.alone(place + 2) || bears(place + 2))
        })?;
        // Who comes after must be known to have much of the drug, or none of it.
        for after in [place + 1, place + 2] {
            let concentration = self.sequence.lines[after].concentrations[analyte];
            if concentration > 0.0 && concentration < 20.0 * of.lloq() && self.alone(after) {
                self.set_concentration(after, analyte, Some(25.0 * of.lloq()));
            }
        }
        Ok(place)
    }

    /// A sample whose every drug stands in mid-range.
    pub(super) fn any_sample(&mut self, fault: Fault) -> Result<usize, SimulateError> {
        self.pick(fault, |planter, place| {
            planter.alone(place)
                && (0..planter.panel.method.analytes.len())
                    .any(|analyte| planter.in_mid_range(place, analyte))
        })
    }

    /// Whether this line is its card's only injection.
    fn alone(&self, place: usize) -> bool {
        let card = self.sequence.lines[place].card;
        card.is_some()
            && self
                .sequence
                .lines
                .iter()
                .filter(|line| line.card == card)
                .count()
                == 1
    }

    fn in_mid_range(&self, place: usize, analyte: usize) -> bool {
        let of = &self.panel.method.analytes[analyte];
        let concentration = self.sequence.lines[place].concentrations[analyte];
        self.asks(place, analyte) && concentration > 5.0 * of.lloq() && concentration < 0.6 * of.uloq()
    }

    /// Whether this line's card asks for the analyte and its extract is not diluted.
    fn asks(&self, place: usize, analyte: usize) -> bool {
        let line = &self.sequence.lines[place];
        let card = line.card.map(|card| &self.sequence.cards[card]);
        line.injection.dilution_factor <= 1.0
            && card.is_some_and(|card| card.concentrations[analyte].is_some())
    }

    pub(super) fn pick(
        &mut self,
        fault: Fault,
        fits: impl Fn(&Self, usize) -> bool,
    ) -> Result<usize, SimulateError> {
        let places: Vec<usize> = (0..self.taken.len())
            .filter(|place| !self.taken[*place] && fits(self, *place))
            .collect();
        if places.is_empty() {
            return Err(SimulateError::NoPlaceForFault { fault: fault.kind() });
        }
        let place = places[self.stream.below(places.len())];
        self.taken[place] = true;
        Ok(place)
    }
}
