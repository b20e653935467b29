//! Accessors to numbers: strides, sparse replacements, normalised integers (glTF 2.0 section 3.6.2
//! and KHR_mesh_quantization, which only allows more integer types in the same places).

use gltf::json::accessor::sparse::Sparse;
use gltf::json::accessor::{Accessor, ComponentType, Type};
use gltf::json::validation::Checked;

use super::invalid;
use super::model::{Model, pick};
use crate::error::FileError;

/// An accessor without a buffer view is all zeros, so nothing in the file bounds its count.
const MAX_ZERO_ELEMENTS: usize = 1 << 20;

impl Model<'_> {
    /// Numbers of an accessor, element after element. `place` is where its index stands.
    ///
    /// # Errors
    /// Any index, offset or count that leaves its list or buffer, an unexpected type, a number
    /// that is not finite.
    pub fn floats(&self, index: usize, want: Type, place: &str) -> Result<Vec<f64>, FileError> {
        let accessor = pick(&self.accessors, index, "accessors", place)?;
        let here = format!("accessors[{index}]");
        if accessor.type_ != Checked::Valid(want) {
            return Err(invalid(
                here,
                format!(
                    "{place} needs {want:?} elements, this has {:?}",
                    accessor.type_
                ),
            ));
        }
        let component = component_type(accessor, &here)?;
        let mut values = self.dense(accessor, component, want, &here)?;
        if let Some(sparse) = &accessor.sparse {
            self.replace(&mut values, sparse, component, want, &here)?;
        }
        if let Some(divisor) = divisor(component).filter(|_| accessor.normalized) {
            for value in &mut values {
                *value = (*value / divisor).max(-1.0);
            }
        }
        match values.iter().position(|value| !value.is_finite()) {
            Some(at) => Err(invalid(
                here,
                format!("element {} is not finite", at / want.multiplicity()),
            )),
            None => Ok(values),
        }
    }

    /// Whole numbers of a scalar accessor.
    ///
    /// # Errors
    /// As [`Model::floats`], and for an accessor of floating-point numbers.
    pub fn indices(&self, index: usize, place: &str) -> Result<Vec<u32>, FileError> {
        self.whole_numbers(index, Type::Scalar, place)
    }

    /// Whole numbers of an accessor of any shape.
    pub fn whole_numbers(
        &self,
        index: usize,
        want: Type,
        place: &str,
    ) -> Result<Vec<u32>, FileError> {
        let accessor = pick(&self.accessors, index, "accessors", place)?;
        let here = format!("accessors[{index}]");
        match component_type(accessor, &here)? {
            ComponentType::U8 | ComponentType::U16 | ComponentType::U32 => {}
            other => {
                return Err(invalid(
                    here,
                    format!("{place} needs unsigned integers, this has {other:?}"),
                ));
            }
        }
        let values = self.floats(index, want, place)?;
        Ok(values.into_iter().map(|value| value as u32).collect())
    }

    fn dense(
        &self,
        accessor: &Accessor,
        component: ComponentType,
        shape: Type,
        here: &str,
    ) -> Result<Vec<f64>, FileError> {
        let count = size(accessor.count.0, here)?;
        let Some(view) = accessor.buffer_view else {
            if count > MAX_ZERO_ELEMENTS {
                return Err(invalid(here, format!("{count} elements without any data")));
            }
            return Ok(vec![0.0; count * shape.multiplicity()]);
        };
        let offset = accessor.byte_offset.map_or(0, |offset| offset.0);
        self.elements(view.value(), offset, count, component, shape, here)
    }

    fn replace(
        &self,
        values: &mut [f64],
        sparse: &Sparse,
        component: ComponentType,
        shape: Type,
        here: &str,
    ) -> Result<(), FileError> {
        let here = format!("{here}.sparse");
        let count = size(sparse.count.0, &here)?;
        let Checked::Valid(index_type) = sparse.indices.component_type else {
            return Err(invalid(here, "indices have an unknown component type"));
        };
        let (at, new) = (&sparse.indices, &sparse.values);
        let targets = self.elements(
            at.buffer_view.value(),
            at.byte_offset.0,
            count,
            index_type.0,
            Type::Scalar,
            &here,
        )?;
        let replacements = self.elements(
            new.buffer_view.value(),
            new.byte_offset.0,
            count,
            component,
            shape,
            &here,
        )?;
        let width = shape.multiplicity();
        for (target, replacement) in targets.iter().zip(replacements.chunks_exact(width)) {
            let target = *target as usize;
            values
                .chunks_exact_mut(width)
                .nth(target)
                .ok_or_else(|| invalid(&here, format!("replaces element {target}, past the end")))?
                .copy_from_slice(replacement);
        }
        Ok(())
    }

    /// Raw numbers out of a buffer view, before normalisation.
    fn elements(
        &self,
        view_index: usize,
        offset: u64,
        count: usize,
        component: ComponentType,
        shape: Type,
        here: &str,
    ) -> Result<Vec<f64>, FileError> {
        let (bytes, stride) = self.view(view_index, here)?;
        let element_bytes = component.size() * shape.multiplicity();
        let stride = stride.unwrap_or(element_bytes);
        if stride < element_bytes {
            return Err(invalid(
                here,
                format!("elements of {element_bytes} bytes do not fit a stride of {stride}"),
            ));
        }
        let too_long = || {
            invalid(
                here,
                format!(
                    "{count} elements from byte {offset} go past the {} bytes of bufferViews[{view_index}]",
                    bytes.len()
                ),
            )
        };
        let start = usize::try_from(offset).map_err(|_| too_long())?;
        let needed = match count {
            0 => Some(0),
            _ => (count - 1)
                .checked_mul(stride)
                .and_then(|length| length.checked_add(element_bytes)),
        };
        let data = needed
            .and_then(|needed| start.checked_add(needed))
            .and_then(|end| bytes.get(start..end))
            .ok_or_else(too_long)?;
        let mut values = Vec::with_capacity(count * shape.multiplicity());
        for element in data.chunks(stride).take(count) {
            let components = element.chunks_exact(component.size());
            values.extend(
                components
                    .take(shape.multiplicity())
                    .filter_map(|raw| number(component, raw)),
            );
        }
        Ok(values)
    }

    /// Bytes of a buffer view and its stride.
    fn view(&self, index: usize, here: &str) -> Result<(&[u8], Option<usize>), FileError> {
        let view = pick(&self.views, index, "bufferViews", here)?;
        let place = format!("bufferViews[{index}]");
        let compressed = view
            .extensions
            .as_ref()
            .and_then(|extensions| extensions.others.get("EXT_meshopt_compression"));
        if compressed.is_some() {
            return Err(invalid(
                place,
                "is compressed (EXT_meshopt_compression); save the file without compression",
            ));
        }
        let buffer = view.buffer.value();
        let data = pick(&self.document.buffers, buffer, "buffers", &place)?
            .as_deref()
            .ok_or_else(|| invalid(&place, format!("buffers[{buffer}] has no data")))?;
        let start = size(view.byte_offset.map_or(0, |offset| offset.0), &place)?;
        let bytes = start
            .checked_add(size(view.byte_length.0, &place)?)
            .and_then(|end| data.get(start..end))
            .ok_or_else(|| {
                invalid(
                    &place,
                    format!("goes past the {} bytes of buffers[{buffer}]", data.len()),
                )
            })?;
        Ok((bytes, view.byte_stride.map(|stride| stride.0)))
    }
}

fn size(count: u64, place: &str) -> Result<usize, FileError> {
    usize::try_from(count).map_err(|_| invalid(place, format!("{count} is too large")))
}

fn component_type(accessor: &Accessor, here: &str) -> Result<ComponentType, FileError> {
    match accessor.component_type {
        Checked::Valid(kind) => Ok(kind.0),
        Checked::Invalid => Err(invalid(here, "unknown component type")),
    }
}

/// Divisors of normalised integers, glTF 2.0 section 3.11 (table of accessor conversions).
fn divisor(component: ComponentType) -> Option<f64> {
    match component {
        ComponentType::I8 => Some(127.0),
        ComponentType::U8 => Some(255.0),
        ComponentType::I16 => Some(32767.0),
        ComponentType::U16 => Some(65535.0),
        ComponentType::U32 | ComponentType::F32 => None,
    }
}

fn number(component: ComponentType, raw: &[u8]) -> Option<f64> {
    Some(match component {
        ComponentType::I8 => f64::from(i8::from_le_bytes(*raw.first_chunk()?)),
        ComponentType::U8 => f64::from(u8::from_le_bytes(*raw.first_chunk()?)),
        ComponentType::I16 => f64::from(i16::from_le_bytes(*raw.first_chunk()?)),
        ComponentType::U16 => f64::from(u16::from_le_bytes(*raw.first_chunk()?)),
        ComponentType::U32 => f64::from(u32::from_le_bytes(*raw.first_chunk()?)),
        ComponentType::F32 => f64::from(f32::from_le_bytes(*raw.first_chunk()?)),
    })
}
