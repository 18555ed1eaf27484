//! Photographs of cards into a folder, and how long they took: `cards FOLDER [CARDS] [SEED] [WIDTH] [FAULT]`.

#![expect(clippy::print_stdout, reason = "an example talks to its user")]

use spotwright_simulate::card::{CardSetPlan, SpotFault, write_cards};
use std::path::PathBuf;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |place: usize, usual: u64| arguments.get(place).map_or(usual, |text| text.parse().unwrap());
    let folder = PathBuf::from(arguments.first().map_or("cards", String::as_str));
    let mut plan = CardSetPlan::new(number(2, 1), number(1, 10));
    if arguments.len() > 3 {
        plan.width_px = Some(number(3, 2400) as usize);
    }
    if let Some(word) = arguments.get(4) {
        plan.only_fault = SpotFault::ALL.into_iter().find(|fault| fault.word() == word);
        assert!(plan.only_fault.is_some(), "{word} is no fault");
        plan.photo_fault_share = 0.0;
        plan.after_share = 0.0;
    }
    let start = std::time::Instant::now();
    let summary = write_cards(&plan, &folder, &|_| {}).unwrap();
    println!("{summary:?} in {:.2} s", start.elapsed().as_secs_f64());
}
