#!/bin/sh
# A folder of links in which the package lies as installed, for mypy and import-linter, which know no package-dir.
set -eu
root=$(cd "$(dirname "$0")/.." && pwd)
tree=$root/build/typetree
rm -rf "$tree"
mkdir -p "$tree/vibekit"
ln -s "$root"/vibekit/* "$tree/vibekit/"
ln -s "$root/capture" "$root/gui" "$root/reference_spectra" "$tree/vibekit/"
