# shellcheck shell=bash
# What a script of the tests needs of the machine; read by them.

as_root() {
  if [ "$(id -u)" = 0 ]; then "$@"; else sudo "$@"; fi
}

apt_install() {
  echo "installing $*"
  as_root apt-get update -qq
  as_root env DEBIAN_FRONTEND=noninteractive apt-get install -qq --no-install-recommends "$@"
}

# need COMMAND PACKAGE...: installs the packages of commands, or files, that are not there.
need() {
  local missing=()
  while [ $# -gt 0 ]; do
    if [ ! -e "$1" ] && ! command -v "$1" >/dev/null; then missing+=("$2"); fi
    shift 2
  done
  if [ ${#missing[@]} -gt 0 ]; then apt_install "${missing[@]}"; fi
}
