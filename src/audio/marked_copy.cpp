#include "audio/marked_copy.hpp"

#include <sys/stat.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <string_view>
#include <vector>

#include "audio/new_file.hpp"
#include "audio/reader.hpp"

namespace pipebeat::audio {

namespace {

constexpr std::int64_t header_bytes =
    static_cast<std::int64_t>(marked_copy_tag_at + marked_copy_tag.size()) + 2 + 8;
constexpr std::int64_t frame_bytes = 4;
constexpr std::int64_t block_frames = 4096;
constexpr double tick_s = 0.012;
constexpr double tick_hz = 2000.0;
constexpr double tick_peak = 0.7;

/// Little-endian bytes, as RIFF wants them.
class Bytes {
 public:
  Bytes& tag(std::string_view four) {
    bytes_ += four;
    return *this;
  }
  Bytes& u16(std::uint32_t value) { return put(value, 2); }
  Bytes& u32(std::int64_t value) { return put(static_cast<std::uint32_t>(value), 4); }
  Bytes& append(const Bytes& other) { return tag(other.bytes_); }
  [[nodiscard]] std::span<const char> bytes() const { return bytes_; }
  [[nodiscard]] std::int64_t size() const { return static_cast<std::int64_t>(bytes_.size()); }

 private:
  Bytes& put(std::uint32_t value, int count) {
    for (int i = 0; i < count; ++i) {
      bytes_ += static_cast<char>(static_cast<unsigned char>(value >> (8 * i)));
    }
    return *this;
  }
  std::string bytes_;
};

/// RIFF header and format; IBM and Microsoft, "Multimedia Programming Interface and Data
/// Specifications 1.0", 1991.
Bytes header(std::int64_t rate, std::int64_t frames, std::int64_t after_data) {
  Bytes b;
  b.tag("RIFF").u32(header_bytes - 8 + frames * frame_bytes + after_data).tag("WAVE");
  b.tag("fmt ").u32(16).u16(1).u16(2).u32(rate).u32(rate * frame_bytes).u16(4).u16(16);
  const auto tag_bytes = static_cast<std::int64_t>(marked_copy_tag.size()) + 2;  // ends in zeros
  b.tag("LIST").u32(12 + tag_bytes).tag("INFO").tag("ISFT").u32(tag_bytes).tag(marked_copy_tag).u16(0);
  b.tag("data").u32(frames * frame_bytes);
  return b;
}

/// The "cue " chunk and the labels that go with it, from the same specification.
Bytes cue_points(std::span<const std::int64_t> at, std::span<const Mark> marks) {
  Bytes cues;
  Bytes labels;
  labels.tag("adtl");
  for (std::size_t i = 0; i < at.size(); ++i) {
    const auto id = static_cast<std::int64_t>(i) + 1;
    cues.u32(id).u32(at[i]).tag("data").u32(0).u32(0).u32(at[i]);
    std::string label = "position " + std::to_string(marks[i].position);
    label.push_back('\0');
    const auto size = static_cast<std::int64_t>(label.size());
    if (label.size() % 2 != 0) label.push_back('\0');
    labels.tag("labl").u32(4 + size).u32(id).tag(label);
  }
  Bytes b;
  if (at.empty()) return b;
  b.tag("cue ").u32(4 + cues.size()).u32(static_cast<std::int64_t>(at.size())).append(cues);
  b.tag("LIST").u32(labels.size()).append(labels);
  return b;
}

std::uint32_t sample(double value) {
  const long v = std::lround(std::clamp(std::isfinite(value) ? value : 0.0, -1.0, 1.0) * 32767.0);
  return static_cast<std::uint32_t>(v) & 0xFFFFu;
}

double tick_at(double seconds) {
  if (seconds < 0.0 || seconds >= tick_s) return 0.0;
  return tick_peak * std::exp(-4.0 * seconds / tick_s) *
         std::sin(2.0 * std::numbers::pi * tick_hz * seconds);
}

bool same_file(const struct stat& a, const std::string& target) {
  struct stat b {};
  return ::stat(target.c_str(), &b) == 0 && a.st_dev == b.st_dev && a.st_ino == b.st_ino;
}

}  // namespace

Result<void> write_marked_copy(const std::string& recording, int channel,
                               std::span<const Mark> marks, const std::string& target) {
  struct stat source {};
  if (recording == "-" || (::stat(recording.c_str(), &source) == 0 && !S_ISREG(source.st_mode))) {
    return fail(ErrorCode::bad_argument,
                (recording == "-" ? std::string{"standard input"} : recording) +
                    ": a marked copy needs a second look, and a pipe can be read only once",
                "save the recording to a file first");
  }
  if (same_file(source, target)) {
    return fail(ErrorCode::bad_argument, target + ": that is the recording itself",
                "give the marked copy another name");
  }
  auto reader = AudioReader::open(recording);
  if (!reader) return tl::unexpected(reader.error());
  const int channels = reader->channels();
  if (channel < 1 || channel > channels) {
    return fail(ErrorCode::bad_argument,
                recording + ": there is no channel " + std::to_string(channel),
                "give one from 1 to " + std::to_string(channels));
  }
  auto file = NewFile::create(target);
  if (!file) return tl::unexpected(file.error());
  if (!file->seekable()) {
    return fail(ErrorCode::bad_argument, target + ": a marked copy must be a file",
                "name a file, for example marked.wav");
  }

  const double rate = reader->sample_rate().value();
  const auto whole_rate = static_cast<std::int64_t>(std::llround(rate));
  std::vector<std::int64_t> at;
  for (const Mark& m : marks) {
    at.push_back(std::max<std::int64_t>(std::llround(m.time.value() * rate), 0));
  }
  const std::int64_t most_frames =
      (std::int64_t{0xFFFFFFFF} - (std::int64_t{1} << 24)) / frame_bytes;

  if (auto done = file->write(header(whole_rate, 0, 0).bytes()); !done) return done;
  const auto stride = static_cast<std::size_t>(channels);
  std::vector<float> block(static_cast<std::size_t>(block_frames) * stride);
  std::int64_t frames = 0;
  std::size_t next = 0;  // first mark whose tick is not over
  for (;;) {
    const std::int64_t got = reader->read(block).value();
    if (got == 0) break;
    if (frames + got > most_frames) {
      return fail(ErrorCode::bad_argument, recording + ": too long for a marked WAV (4 GiB)",
                  "cut the recording into shorter ones");
    }
    Bytes out;
    for (std::int64_t i = 0; i < got; ++i) {
      const std::int64_t here = frames + i;
      while (next < at.size() && static_cast<double>(here - at[next]) >= tick_s * rate) ++next;
      // Ticks of neighbouring marks may overlap at high speed: the later one begins anew.
      double tick = 0.0;
      for (std::size_t m = next; m < at.size() && at[m] <= here; ++m) {
        tick = tick_at(static_cast<double>(here - at[m]) / rate);
      }
      out.u16(sample(static_cast<double>(
          block[static_cast<std::size_t>(i) * stride + static_cast<std::size_t>(channel - 1)])));
      out.u16(sample(tick));
    }
    if (auto done = file->write(out.bytes()); !done) return done;
    frames += got;
  }
  const auto inside =
      static_cast<std::size_t>(std::lower_bound(at.begin(), at.end(), frames) - at.begin());
  const Bytes cues = cue_points(std::span{at}.first(inside), marks);
  if (auto done = file->write(cues.bytes()); !done) return done;
  const Bytes head = header(whole_rate, frames, cues.size());
  if (auto done = file->write_at(0, head.bytes()); !done) return done;
  return file->commit();
}

}  // namespace pipebeat::audio
