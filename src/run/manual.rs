//! `manual`, `completions` and `schema`: what `man`, a shell and another program
//! want to know.
//!
//! In: the command line's own description. Out: man pages in a folder,
//! completions and schemas on standard output. Refused: a page that is there
//! already, unless forced; an output that has no schema.

use crate::report::SCHEMAS;
use crate::run::arguments::{Arguments, CompletionsArguments, ManualArguments, SchemaArguments};
use crate::run::{Failure, sheets};
use clap::{Command, CommandFactory as _};
use std::process::ExitCode;

pub(super) fn completions(arguments: &CompletionsArguments) -> Result<ExitCode, Failure> {
    let mut command = Arguments::command();
    let mut text = Vec::new();
    clap_complete::generate(arguments.shell, &mut command, "stillheight", &mut text);
    sheets::print(&String::from_utf8_lossy(&text))?;
    Ok(ExitCode::SUCCESS)
}

pub(super) fn schema(arguments: &SchemaArguments) -> Result<ExitCode, Failure> {
    let Some(wanted) = &arguments.name else {
        let mut text = String::new();
        for of in SCHEMAS {
            text.push_str(&format!("{:<18} {}\n", of.name, of.commands.join(", ")));
        }
        sheets::print(&text)?;
        return Ok(ExitCode::SUCCESS);
    };
    let found = SCHEMAS.iter().find(|of| of.name == wanted);
    let of = found.ok_or_else(|| {
        let names = SCHEMAS.map(|of| of.name).join(", ");
        Failure::users(
            "schema.unknown",
            format!("no output '{wanted}' has a schema"),
            format!("there are: {names}"),
        )
    })?;
    sheets::print(of.text)?;
    Ok(ExitCode::SUCCESS)
}

pub(super) fn pages(arguments: &ManualArguments) -> Result<ExitCode, Failure> {
    let folder = &arguments.out;
    std::fs::create_dir_all(folder)
        .map_err(|e| crate::run::failure::file("make the folder", folder, &e))?;
    let mut root = Arguments::command();
    root.build();
    let mut pages = Vec::new();
    gather(&root, "stillheight", &mut pages)?;
    for (name, text) in &pages {
        sheets::write_whole(&folder.join(format!("{name}.1")), text, arguments.force)?;
    }
    sheets::print(&format!(
        "wrote {} pages to {}\nread one:  man {}\n",
        pages.len(),
        folder.display(),
        folder.join("stillheight.1").display()
    ))?;
    Ok(ExitCode::SUCCESS)
}

/// A command's page and those of the commands in it.
fn gather(
    command: &Command,
    name: &str,
    pages: &mut Vec<(String, Vec<u8>)>,
) -> Result<(), Failure> {
    let mut text = Vec::new();
    clap_mangen::Man::new(command.clone())
        .title(name.to_uppercase())
        .render(&mut text)
        .map_err(|e| {
            Failure::ours(
                "manual.render",
                format!("cannot make the page '{name}': {e}"),
                "",
            )
        })?;
    pages.push((name.to_owned(), text));
    for inner in command
        .get_subcommands()
        .filter(|c| !c.is_hide_set() && c.get_name() != "help")
    {
        gather(inner, &format!("{name}-{}", inner.get_name()), pages)?;
    }
    Ok(())
}
