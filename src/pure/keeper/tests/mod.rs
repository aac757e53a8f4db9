//! The keeper's promises, one at a time, in a house of two or three lamps where time passes at once.

mod hands;
mod house;
mod overrides;
mod reload;
mod reports;
mod restart;
mod telling;
mod trust;
mod trying;

use house::House;
