//! Numbers of this program against numbers that others have published: one module a source or kind of source, its
//! reference in the first lines, its data beside it, its tolerance the printed precision or a reason.

mod absorbance;
mod answers;
mod centroid_bound;
mod edges;
mod grating;
mod gum_h3;
mod least_squares;
mod lines;
mod srgb;
mod table;
mod widths;
