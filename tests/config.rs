//! Files as a household writes them, and what becomes of them.

#[path = "config/good.rs"]
mod good;
