//! Checks of the simulator against closed forms and against itself.
