//! Writes the manual pages and the completions for shells, from the definitions that the command line itself goes by:
//!
//!     cargo run --example pages -- target/package
//!
//! What those definitions do not know (files, signals, exit codes) is in `manual.roff` beside this.

use std::env;
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use clap::{Command, CommandFactory};
use clap_complete::Shell;
use clap_mangen::Man;

fn main() -> io::Result<()> {
    let folder = PathBuf::from(env::args_os().nth(1).expect("the folder to write to"));
    fs::create_dir_all(&folder)?;
    let mut lampward = lampward::cli::Cli::command();
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        clap_complete::generate_to(shell, &mut lampward, "lampward", &folder)?;
    }
    lampward.build();
    for command in lampward.get_subcommands() {
        page(command, &folder)?;
    }
    page(&lampward, &folder)?.write_all(include_bytes!("manual.roff"))
}

fn page(command: &Command, folder: &Path) -> io::Result<File> {
    let page = Man::new(command.clone()).section("8").manual("Lampward").source("Lampward");
    let mut file = File::create(folder.join(page.get_filename()))?;
    page.render(&mut file)?;
    Ok(file)
}
