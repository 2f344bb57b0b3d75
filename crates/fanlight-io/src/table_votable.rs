//! A table as a VOTable document.
//!
//! # Source
//! IVOA Recommendation VOTable 1.4 (2019): section 3 (structure), 4.1 (FIELD), 5.1 (TABLEDATA), 5.5 (null values: an
//! empty TD of any type since 1.3).

use std::io;

use fanlight_record::tables::{Cell, Kind, Table};
use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesText, Event};

use crate::table_out::plain;

/// The namespace of VOTable 1.3 and 1.4.
const NAMESPACE: &str = "http://www.ivoa.net/xml/VOTable/v1.3";

/// The name of the coordinate system in the document.
const ICRS: &str = "icrs";

/// The document's bytes, UTF-8.
pub(crate) fn document(table: &Table) -> io::Result<Vec<u8>> {
    let mut out = Writer::new_with_indent(Vec::new(), b' ', 1);
    out.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    out.create_element("VOTABLE").with_attributes([("version", "1.4"), ("xmlns", NAMESPACE)]).write_inner_content(
        |out| {
            out.create_element("RESOURCE").with_attribute(("type", "results")).write_inner_content(|out| {
                if table.headings.iter().any(|h| is_place(h.ucd)) {
                    out.create_element("COOSYS").with_attributes([("ID", ICRS), ("system", "ICRS")]).write_empty()?;
                }
                out.create_element("TABLE").with_attribute(("name", table.name)).write_inner_content(|out| {
                    described(out, table.description)?;
                    fields(out, table)?;
                    out.create_element("DATA").write_inner_content(|out| {
                        out.create_element("TABLEDATA").write_inner_content(|out| rows(out, table))?;
                        Ok(())
                    })?;
                    Ok(())
                })?;
                Ok(())
            })?;
            Ok(())
        },
    )?;
    let mut bytes = out.into_inner();
    bytes.push(b'\n');
    Ok(bytes)
}

fn described(out: &mut Writer<Vec<u8>>, description: &str) -> io::Result<()> {
    out.create_element("DESCRIPTION").write_text_content(BytesText::new(description)).map(drop)
}

fn fields(out: &mut Writer<Vec<u8>>, table: &Table) -> io::Result<()> {
    for heading in &table.headings {
        let datatype: &[(&str, &str)] = match heading.kind {
            Kind::Number => &[("datatype", "double")],
            Kind::Integer => &[("datatype", "long")],
            Kind::Text => &[("datatype", "unicodeChar"), ("arraysize", "*")],
            Kind::Truth => &[("datatype", "boolean")],
        };
        let mut field = out.create_element("FIELD").with_attribute(("name", heading.name));
        field = field.with_attributes(datatype.iter().copied()).with_attribute(("ucd", heading.ucd));
        // a unit that VOUnits do not list stands in quotes (section 2.10 of that standard)
        let unit = heading.unit.replace("electron", "'electron'");
        if !unit.is_empty() {
            field = field.with_attribute(("unit", unit.as_str()));
        }
        if is_place(heading.ucd) {
            field = field.with_attribute(("ref", ICRS));
        }
        field.write_inner_content(|out| described(out, heading.description))?;
    }
    Ok(())
}

fn rows(out: &mut Writer<Vec<u8>>, table: &Table) -> io::Result<()> {
    for row in &table.rows {
        out.create_element("TR").write_inner_content(|out| {
            for cell in row {
                out.create_element("TD").write_text_content(BytesText::new(&writable(&text(cell))))?;
            }
            Ok(())
        })?;
    }
    Ok(())
}

fn text(cell: &Cell) -> String {
    match cell {
        Cell::Truth(true) => "T".to_owned(),
        Cell::Truth(false) => "F".to_owned(),
        cell => plain(cell),
    }
}

/// Text without the characters that XML 1.0 cannot hold; each becomes a blank.
fn writable(text: &str) -> String {
    let allowed = |c: char| matches!(c, '\t' | '\n' | ' '..='\u{fffd}' | '\u{10000}'..);
    text.chars().map(|c| if allowed(c) { c } else { ' ' }).collect()
}

/// Whether a column holds a coordinate of a place on the sky, by its UCD.
fn is_place(ucd: &str) -> bool {
    ucd.starts_with("pos.eq.")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table_out::tests::table;

    #[test]
    fn fields_say_type_unit_ucd_and_cells_are_escaped() {
        let text = String::from_utf8(document(&table()).unwrap()).unwrap();
        for part in [
            r#"<VOTABLE version="1.4" xmlns="http://www.ivoa.net/xml/VOTable/v1.3">"#,
            r#"<COOSYS ID="icrs" system="ICRS"/>"#,
            r#"<FIELD name="name" datatype="unicodeChar" arraysize="*" ucd="meta.id">"#,
            r#"<FIELD name="ra_deg" datatype="double" ucd="pos.eq.ra" unit="deg" ref="icrs">"#,
            r#"<FIELD name="n" datatype="long" ucd="meta.number">"#,
            r#"<FIELD name="used" datatype="boolean" ucd="meta.code">"#,
            "&lt;ρ&gt;</TD>",
            "<TD>0.30000000000000004</TD>",
            "<TD>x\ny </TD>",
            "<TD></TD>",
        ] {
            assert!(text.contains(part), "{part} is not in\n{text}");
        }
    }
}
