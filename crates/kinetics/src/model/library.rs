//! The models that come with the program, as texts.

use super::Model;

macro_rules! library {
    ($($id:literal),* $(,)?) => {
        /// Ids of the models that come with the program, in alphabetical order.
        pub const MODEL_IDS: &[&str] = &[$($id),*];

        /// The file of a model that comes with the program; `None`: there is none of this id.
        #[must_use]
        pub fn embedded_text(id: &str) -> Option<&'static str> {
            match id {
                $($id => Some(include_str!(concat!("../../models/", $id, ".toml"))),)*
                _ => None,
            }
        }
    };
}

library!(
    "amikacin_neonate",
    "amikacin_preterm_first_days",
    "carbamazepine_adult",
    "ciclosporin_adult_kidney",
    "dolutegravir_adult",
    "efavirenz_adult",
    "everolimus_adult_kidney",
    "gentamicin_neonate",
    "ivermectin_mda",
    "lamotrigine",
    "levetiracetam_adult",
    "levetiracetam_child",
    "lopinavir_ritonavir_adult",
    "mycophenolic_acid_adult_kidney",
    "nevirapine_adult",
    "phenobarbital_neonate",
    "phenytoin",
    "tacrolimus_adult_kidney",
    "tacrolimus_child_kidney",
    "valproate",
    "vancomycin_neonate",
    "vancomycin_neonate_pma",
);

/// A model that comes with the program; `None`: there is none of this id.
/// Every file is read by a test, so that none is lost here.
#[must_use]
pub fn embedded(id: &str) -> Option<Model> {
    embedded_text(id).and_then(|text| Model::from_toml(text).ok())
}
