//! The program as its users run it, the pictures it makes, the schemas it publishes.

mod everyday;
mod pictures;
mod readme;
mod schemas;
mod tune;
mod tune_colour;

fn weighlight() -> assert_cmd::Command {
    assert_cmd::Command::cargo_bin("weighlight").unwrap()
}
