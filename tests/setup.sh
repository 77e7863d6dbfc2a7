# Set-up steps that demo/run, tests/run and .ci/run share; sourced, not run.
# Each step looks first and does nothing where nothing is missing.

# What the core needs: a C compiler, and cmake with nasm for the JPEG library.
core_packages='ca-certificates gcc libc6-dev make cmake nasm'
# What the device ends need on top: sound, and bindgen for the camera.
device_packages='pkg-config libasound2-dev libclang-dev'

say() { printf '== %s\n' "$*"; }
die() { printf '%s: %s\n' "$0" "$*" >&2; exit 2; }

# need_packages NAME...: installs those that are missing.
need_packages() {
    if ! command -v apt-get >/dev/null; then
        say "no apt-get here: taking it that these are there in some other form: $*"
        return
    fi
    missing=
    for package; do
        dpkg-query -W -f '${db:Status-Status}\n' "$package" 2>/dev/null | grep -qx installed ||
            missing="$missing $package"
    done
    [ -n "$missing" ] || return 0
    if [ "$(id -u)" = 0 ]; then
        as_root=
    elif command -v sudo >/dev/null; then
        as_root=sudo
    else
        die "not root, and there is no sudo; have an administrator run: apt-get install --no-install-recommends$missing"
    fi
    say "installing$missing"
    # Another apt may be at work: it is waited for.
    apt="$as_root env DEBIAN_FRONTEND=noninteractive apt-get -qq -o Dpkg::Use-Pty=0 -o DPkg::Lock::Timeout=600"
    # --no-remove: never put aside what someone else has installed.
    # shellcheck disable=SC2086 # lists of words, split on purpose
    {
        $apt update &&
            $apt install -y --no-install-recommends --no-remove $missing >/dev/null
    } </dev/null || {
        # shellcheck disable=SC2086
        aside=$($apt -s install --no-install-recommends $missing </dev/null 2>/dev/null |
            sed -n 's/^Remv \([^ ]*\).*/ \1/p' | tr -d '\n')
        [ -z "$aside" ] ||
            say "these would have to go for it:$aside; if you can do without them as they are, remove them (or install the version of this Debian), then run this again"
        die "apt-get could not install$missing; its message stands above"
    }
}

# Is there a Rust on the PATH that is new enough?
have_rust() {
    command -v cargo >/dev/null || return 1
    found=$(rustc --version 2>/dev/null | cut -d ' ' -f 2)
    [ -n "$found" ] && [ "$(printf '%s\n' "$needed" "$found" | sort -V | head -n 1)" = "$needed" ]
}

# A Rust new enough: the one on the PATH, or else Debian's, which its security
# suite keeps up to date under the names of the browser that needs it.
need_rust() {
    needed=$(sed -n 's/^rust-version = "\(.*\)"/\1/p' Cargo.toml)
    PATH="$PATH:$HOME/.cargo/bin"
    found=
    have_rust || {
        [ -z "$found" ] || say "the Rust on the PATH is $found; $needed or newer is needed"
        need_packages rustc-web cargo-web
        PATH="/usr/bin:$PATH"
        have_rust ||
            die "Rust is ${found:-absent}, $needed or newer is needed: add the security suite of this Debian to the apt sources (for Debian 12 bookworm-security), or install Rust from https://rustup.rs, then run this again"
    }
    say "Rust $found at $(command -v rustc)"
}

# The formatter and the linter that belong to that Rust.
need_rust_tools() {
    if cargo fmt --version >/dev/null 2>&1 && cargo clippy --version >/dev/null 2>&1; then
        return
    elif command -v rustup >/dev/null; then
        rustup component add rustfmt clippy
    else
        need_packages rustfmt-web rust-web-clippy
    fi
}
