//! What people and scripts see: tables by independent readers, pages and pictures as documents.

mod look;
mod sample;
mod speed;
