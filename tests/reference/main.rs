//! Values of the library beside published ones and those of other libraries; sources and licences stand in the folders beside.

mod agreement;
mod charts;
mod colour;
mod geometry;
mod weight;

/// Rows of a CSV with `#` comments: cells by name.
fn rows(text: &'static str) -> Vec<impl Fn(&str) -> &'static str> {
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    let names: Vec<&str> = lines.next().expect("a heading").split(',').collect();
    lines
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            let names = names.clone();
            move |name: &str| {
                let column = names.iter().position(|it| *it == name);
                cells[column.unwrap_or_else(|| panic!("no column {name}"))]
            }
        })
        .collect()
}
