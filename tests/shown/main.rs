//! What people and scripts see: tables by independent readers, pages and pictures as documents.

mod alive;
mod blanks;
mod browser;
mod chrome;
mod colours;
mod dictionary;
mod hand_in;
mod in_memory;
mod lab_sheet;
mod languages;
mod look;
mod pages;
mod pictures;
mod readback;
mod record;
mod sample;
mod series;
mod shot;
mod speed;
mod tables;
mod wall;
