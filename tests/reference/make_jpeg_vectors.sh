#!/bin/sh
# Makes tests/reference/jpeg: small JPEG files, and what ffmpeg's own JPEG
# decoder (which is not libjpeg) makes of them, as raw planes one after another.
# The picture is ffmpeg's testsrc2 pattern, softened. Made with ffmpeg 5.1.9.
set -e
cd "$(dirname "$0")"
mkdir -p jpeg
for layout in yuvj420p yuvj422p yuvj444p; do
    for size in 64:48 45:31; do
        name="jpeg/$layout-$(echo $size | tr : x)"
        ffmpeg -v error -y -f lavfi -i "testsrc2=size=64x48:rate=1,gblur=1.2,format=yuv444p,crop=$size" \
            -frames:v 1 -pix_fmt $layout -q:v 4 -bitexact -f mjpeg "$name.jpg"
        ffmpeg -v error -y -idct simple -f mjpeg -i "$name.jpg" -f rawvideo -pix_fmt $layout "$name.yuv"
    done
done
