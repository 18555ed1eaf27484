//! Open formats at the rim: the laboratory day's TOML and CSV files in, tables out.
