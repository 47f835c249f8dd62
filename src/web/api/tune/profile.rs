//! Profiles as the page has them: JSON with the keys of the document, without what the weights were fitted to.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use axum::Json;
use axum::extract::{self, Query, State};
use serde::Deserialize;
use serde_json::{Value, json};
use weighlight::product::{
    PRODUCT_FORMAT, Product, check_new_product, dated_file_name, parse_product, product_text,
    read_product,
};
use weighlight::scan::{Recording, Scan};
use weighlight::{Error, ErrorKind};

use super::super::store::Store;
use super::super::{Refused, work};
use super::bench::Bench;
use super::save;

/// Which profile the page starts from: the one that was opened for the scan, or one that was saved.
#[derive(Debug, Default, Deserialize)]
pub(super) struct From {
    #[serde(default)]
    from: Option<String>,
}

/// The profile the page starts from, as it is on the disk now.
pub(super) struct Start {
    pub(super) product: Product,
    /// BLAKE3 of its document.
    pub(super) blake3: String,
}

pub(super) fn start(store: &Store, id: usize, from: &From) -> Result<Start, Refused> {
    let (recording, _) = store.scan(id).ok_or(Refused::Unknown)?;
    match &from.from {
        None => opened_for(store, recording),
        Some(name) => saved(&store.opened.save_to, name),
    }
}

fn opened_for(store: &Store, recording: &Recording) -> Result<Start, Refused> {
    let (product, used) = (store.opened.profile_of)(recording).map_err(Refused::Failed)?;
    Ok(Start {
        product,
        blake3: used.blake3,
    })
}

fn saved(save_to: &Path, name: &str) -> Result<Start, Refused> {
    let path = save::folder(save_to)?.join(save::clean(name)?);
    let is_file = path.symlink_metadata().is_ok_and(|it| it.is_file());
    if !is_file {
        return Err(Refused::Failed(
            Error::new(
                ErrorKind::Io,
                format!("no saved profile of the name {name}"),
            )
            .expected("choose one from the list"),
        ));
    }
    let product = read_product(&path).map_err(Refused::Failed)?;
    let bytes =
        std::fs::read(&path).map_err(|source| Refused::Failed(Error::io(&path, &source)))?;
    Ok(Start {
        product,
        blake3: blake3::hash(&bytes).to_hex().to_string(),
    })
}

pub(super) async fn opened(
    State(bench): State<Arc<Bench>>,
    extract::Path(id): extract::Path<usize>,
    Query(from): Query<From>,
) -> Result<Json<Value>, Refused> {
    work(move || {
        let store = &bench.store;
        let start = start(store, id, &from)?;
        let (_, scan) = store.scan(id).ok_or(Refused::Unknown)?;
        let product = &start.product;
        let fitted = product.fit.as_ref();
        Ok(Json(json!({
            "profile": to_json(product)?,
            "based_on": start.blake3,
            "saved": saved_names(&store.opened.save_to, &product.name),
            "file": free_name(&store.opened.save_to, product, scan),
            "folder": save::shown_folder(&store.opened.save_to),
            "fitted": fitted.map(|it| format!("{}, to {} weighed pieces", it.fitted, it.pairs)),
            "product_temperature_c": scan.description.product_temperature_c,
        })))
    })
    .await
}

/// Profiles of this product that were saved, by name of file.
fn saved_names(save_to: &Path, product: &str) -> Vec<String> {
    let entries = save::folder(save_to).ok().map(std::fs::read_dir);
    let entries = entries.into_iter().flatten().flatten().flatten();
    let paths: Vec<PathBuf> = entries.map(|entry| entry.path()).collect();
    let of_product = |path: &&PathBuf| {
        let is_file = path.symlink_metadata().is_ok_and(|it| it.is_file());
        is_file && read_product(path).is_ok_and(|it| it.name == product)
    };
    let named = |path: &PathBuf| Some(path.file_name()?.to_str()?.to_owned());
    let mut names: Vec<String> = paths.iter().filter(of_product).filter_map(named).collect();
    names.sort();
    names
}

/// A name after product and day of the scan that is not taken.
pub(super) fn free_name(save_to: &Path, product: &Product, scan: &Scan) -> String {
    let dated = dated_file_name(product, scan.description.captured);
    let stem = save::plain(dated.trim_end_matches(".toml"));
    let folder = save_to.join(save::FOLDER);
    let names = std::iter::once(format!("{stem}.toml"))
        .chain((2..1000).map(|number| format!("{stem}-{number}.toml")));
    let mut free = names.filter(|name| check_new_product(&folder.join(name)).is_ok());
    free.next().unwrap_or_default()
}

fn broken(error: &dyn std::fmt::Display) -> Refused {
    Refused::Failed(Error::new(ErrorKind::Document, error.to_string()).key("profile"))
}

/// A profile as the page has it.
pub(super) fn to_json(product: &Product) -> Result<Value, Refused> {
    let plain = Product {
        fit: None,
        ..product.clone()
    };
    let table: toml::Table = product_text(&plain).parse().map_err(|it| broken(&it))?;
    serde_json::to_value(table).map_err(|it| broken(&it))
}

/// A profile from the page, checked as one from a file is. What its weights were fitted to comes from the profile it started
/// from, as long as it weighs like that one.
pub(super) fn from_json(mut profile: Value, start: &Product) -> Result<Product, Refused> {
    drop_nulls(&mut profile);
    let mut table: toml::Table = serde_json::from_value(profile).map_err(|it| broken(&it))?;
    table.insert("format".to_owned(), PRODUCT_FORMAT.into());
    let text = toml::to_string(&table).map_err(|it| broken(&it))?;
    let mut product = parse_product(Path::new("profile"), text).map_err(|mut error| {
        // The page has fields, not lines of a file.
        (error.path, error.line) = (None, None);
        Refused::Failed(error)
    })?;
    product.fit = match product.weighs_like(start) {
        true => start.fit.clone(),
        false => None,
    };
    Ok(product)
}

fn drop_nulls(value: &mut Value) {
    match value {
        Value::Object(map) => {
            map.retain(|_, value| !value.is_null());
            map.values_mut().for_each(drop_nulls);
        }
        Value::Array(items) => items.iter_mut().for_each(drop_nulls),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn profiles_come_back_from_the_page_as_they_were() {
        for name in ["belly-strips", "fillets", "food-models", "rolls"] {
            let path = format!("sample-scans/products/{name}.toml");
            let product = read_product(Path::new(&path)).unwrap();
            let Ok(json) = to_json(&product) else {
                panic!("{name}")
            };
            let Ok(back) = from_json(json, &product) else {
                panic!("{name}")
            };
            assert_eq!(back, product);
        }
    }

    #[test]
    fn what_is_wrong_is_told_by_the_field() {
        let path = Path::new("sample-scans/products/belly-strips.toml");
        let product = read_product(path).unwrap();
        let wrong = |pointer: &str, value: Value| {
            let Ok(mut json) = to_json(&product) else {
                panic!()
            };
            *json.pointer_mut(pointer).unwrap() = value;
            match from_json(json, &product) {
                Err(Refused::Failed(error)) => (error.key.unwrap_or_default(), error.found),
                _ => panic!("{pointer} was taken"),
            }
        };
        assert_eq!(wrong("/class/0/lab/l", json!([70, 60])).0, "class[0].lab.l");
        assert_eq!(
            wrong("/piece/min_height_mm", json!(-1)).0,
            "piece.min_height_mm"
        );
        assert_eq!(wrong("/weight/scale", Value::Null).0, "weight.scale");
        let (_, found) = wrong("/weight/scale", json!("much"));
        assert!(!found.is_empty());
    }
}
