//! The program as a person runs it: what it prints, how it ends, what a browser makes of its pages.

mod broken_days;
mod browser;
mod codes;
mod program;
mod screens;
mod study;
mod traces_command;
