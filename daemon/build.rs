//! How the binary is linked.

fn main() {
    println!("cargo:rerun-if-changed=build.rs");
    // A quarter of a megabyte of relocations becomes a few pages, and what is read at the start
    // stays in memory. Linkers that do not know it leave it out.
    if std::env::var("CARGO_CFG_TARGET_OS").is_ok_and(|os| os == "linux") {
        println!("cargo:rustc-link-arg-bins=-Wl,-z,pack-relative-relocs");
    }
}
