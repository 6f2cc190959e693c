//! The one binary; everything is in the library.

fn main() -> std::process::ExitCode {
    frameside::cli::main()
}
