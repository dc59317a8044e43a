#include "audio/reader.hpp"

#include <doctest/doctest.h>
#include <fcntl.h>
#include <sndfile.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cmath>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <numbers>
#include <string>
#include <thread>
#include <vector>

#include "audio/header_guard.hpp"

using namespace pipebeat;
using audio::AudioReader;
namespace fs = std::filesystem;

namespace {

/// A folder that is gone at the end of the test.
struct Folder {
  fs::path path;
  Folder() {
    std::string pattern = (fs::temp_directory_path() / "pipebeat-audio-XXXXXX").string();
    REQUIRE(::mkdtemp(pattern.data()) != nullptr);
    path = pattern;
  }
  ~Folder() { fs::remove_all(path); }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  [[nodiscard]] std::string operator/(const std::string& name) const { return path / name; }
};

/// Channel c carries a sine of (c+1) x 100 Hz with amplitude 0.5.
std::vector<float> sines(int rate, int channels, int frames) {
  std::vector<float> sound;
  for (int i = 0; i < frames; ++i) {
    for (int c = 0; c < channels; ++c) {
      const double phase = 2.0 * std::numbers::pi * 100.0 * (c + 1) * i / rate;
      sound.push_back(static_cast<float>(0.5 * std::sin(phase)));
    }
  }
  return sound;
}

void write(const std::string& path, int format, int rate, int channels,
           const std::vector<float>& sound) {
  SF_INFO info{};
  info.samplerate = rate;
  info.channels = channels;
  info.format = format;
  SNDFILE* file = sf_open(path.c_str(), SFM_WRITE, &info);
  REQUIRE_MESSAGE(file != nullptr, sf_strerror(nullptr));
  const auto frames = static_cast<sf_count_t>(sound.size()) / channels;
  CHECK(sf_writef_float(file, sound.data(), frames) == frames);
  sf_close(file);
}

std::vector<float> read_all(AudioReader& reader, std::size_t block_frames = 1000) {
  std::vector<float> sound;
  const auto channels = static_cast<std::size_t>(reader.channels());
  std::vector<float> block(block_frames * channels);
  for (;;) {
    const auto got = static_cast<std::size_t>(reader.read(block).value());
    if (got == 0) return sound;
    sound.insert(sound.end(), block.begin(),
                 block.begin() + static_cast<std::ptrdiff_t>(got * channels));
  }
}

/// Root mean square difference of the samples both have.
double difference(const std::vector<float>& a, const std::vector<float>& b) {
  const std::size_t n = std::min(a.size(), b.size());
  double sum = 0.0;
  for (std::size_t i = 0; i < n; ++i) sum += std::pow(static_cast<double>(a[i]) - b[i], 2);
  return std::sqrt(sum / static_cast<double>(n));
}

std::string bytes_of(const std::string& path) {
  std::ifstream file{path, std::ios::binary};
  return {std::istreambuf_iterator<char>{file}, {}};
}

/// What a pipe that carries these bytes sounds like.
struct Piped {
  std::vector<float> sound;
  bool frames_known = false;
};

Piped through_pipe(const std::string& bytes) {
  int ends[2];
  REQUIRE(::pipe(ends) == 0);
  std::thread writer{[&] {
    std::size_t done = 0;
    while (done < bytes.size()) {
      const ssize_t put = ::write(ends[1], bytes.data() + done, bytes.size() - done);
      if (put <= 0) break;
      done += static_cast<std::size_t>(put);
    }
    ::close(ends[1]);
  }};
  auto reader = AudioReader::open("/dev/fd/" + std::to_string(ends[0]));
  Piped piped;
  if (reader) {
    piped.frames_known = reader->frames().has_value();
    piped.sound = read_all(*reader);
  }
  ::close(ends[0]);
  writer.join();
  REQUIRE_MESSAGE(reader, reader.error().what);
  return piped;
}

bool have_ffmpeg() { return std::system("ffmpeg -version > /dev/null 2>&1") == 0; }

void convert(const std::string& from, const std::string& to, const std::string& how = "") {
  const std::string command =
      "ffmpeg -nostdin -v error -i '" + from + "' " + how + " '" + to + "' < /dev/null";
  REQUIRE(std::system(command.c_str()) == 0);
}

Error refused(const std::string& path) {
  const auto reader = AudioReader::open(path);
  REQUIRE_FALSE(reader);
  CHECK(reader.error().what.starts_with(path + ": "));
  CHECK_FALSE(reader.error().hint.empty());
  return reader.error();
}

}  // namespace

TEST_CASE("Formats that libsndfile reads, sample by sample") {
  const Folder folder;
  struct Format {
    std::string name;
    int format;
    double tolerance;
  };
  const Format formats[] = {
      {"wav-u8", SF_FORMAT_WAV | SF_FORMAT_PCM_U8, 1.0 / 128},
      {"wav-16", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 1.0 / 32768},
      {"wav-24", SF_FORMAT_WAV | SF_FORMAT_PCM_24, 1e-6},
      {"wav-32", SF_FORMAT_WAV | SF_FORMAT_PCM_32, 1e-6},
      {"wav-float", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 0.0},
      {"wavex-16", SF_FORMAT_WAVEX | SF_FORMAT_PCM_16, 1.0 / 32768},
      {"rf64-16", SF_FORMAT_RF64 | SF_FORMAT_PCM_16, 1.0 / 32768},
      {"aiff-16", SF_FORMAT_AIFF | SF_FORMAT_PCM_16, 1.0 / 32768},
      {"aiff-24", SF_FORMAT_AIFF | SF_FORMAT_PCM_24, 1e-6},
      {"au-16", SF_FORMAT_AU | SF_FORMAT_PCM_16, 1.0 / 32768},
      {"caf-16", SF_FORMAT_CAF | SF_FORMAT_PCM_16, 1.0 / 32768},
      {"flac-16", SF_FORMAT_FLAC | SF_FORMAT_PCM_16, 1.0 / 32768},
      {"flac-24", SF_FORMAT_FLAC | SF_FORMAT_PCM_24, 1e-6},
      {"ogg", SF_FORMAT_OGG | SF_FORMAT_VORBIS, 0.02},
      {"opus", SF_FORMAT_OGG | SF_FORMAT_OPUS, 0.05},
  };
  const auto sound = sines(48000, 2, 24000);
  for (const Format& f : formats) {
    CAPTURE(f.name);
    // No extension: the first bytes say what it is.
    const std::string path = folder / f.name;
    write(path, f.format, 48000, 2, sound);
    auto reader = AudioReader::open(path);
    REQUIRE(reader);
    CHECK(reader->channels() == 2);
    CHECK(reader->sample_rate().value() == 48000.0);
    REQUIRE(reader->frames());
    CHECK(reader->frames()->value() == 24000);
    const auto heard = read_all(*reader);
    CHECK(heard.size() == sound.size());
    CHECK(difference(heard, sound) <= f.tolerance);
    CHECK_FALSE(reader->broke_off());

    const Piped piped = through_pipe(bytes_of(path));
    CHECK(piped.sound == heard);
  }
}

TEST_CASE("The titles of a CAF file stand where they like, and are passed over") {
  const Folder folder;
  const std::vector<float> sound = sines(8000, 2, 20000);
  for (const int codec : {SF_FORMAT_PCM_16, SF_FORMAT_ALAC_16}) {
    for (const bool in_front : {true, false}) {
      SF_INFO info{};
      info.samplerate = 8000;
      info.channels = 2;
      info.format = SF_FORMAT_CAF | codec;
      const std::string path =
          folder / (std::to_string(codec) + (in_front ? "-front.caf" : "-back.caf"));
      CAPTURE(path);
      SNDFILE* file = sf_open(path.c_str(), SFM_WRITE, &info);
      REQUIRE_MESSAGE(file != nullptr, sf_strerror(nullptr));
      if (in_front) sf_set_string(file, SF_STR_TITLE, "The bakery's van");
      CHECK(sf_writef_float(file, sound.data(), 20000) == 20000);
      if (!in_front) sf_set_string(file, SF_STR_COMMENT, "before the new lead");
      sf_close(file);
      auto reader = AudioReader::open(path);
      REQUIRE(reader);
      CHECK(reader->frames().value().value() == 20000);
      const std::vector<float> heard = read_all(*reader);
      CHECK(heard.size() == sound.size());
      CHECK(difference(heard, sound) < 1e-4);
      CHECK_FALSE(reader->broke_off());
    }
  }
}

TEST_CASE("MP3 is read") {
  if (!have_ffmpeg()) return;
  const Folder folder;
  const auto sound = sines(44100, 1, 44100);
  write(folder / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 44100, 1, sound);
  convert(folder / "a.wav", folder / "a.mp3");
  auto reader = AudioReader::open(folder / "a.mp3");
  REQUIRE(reader);
  CHECK(reader->sample_rate().value() == 44100.0);
  const auto heard = read_all(*reader);
  CHECK(heard.size() >= 44100);
  CHECK(heard.size() < 44100 + 4000);
  CHECK_FALSE(through_pipe(bytes_of(folder / "a.mp3")).sound.empty());
}

TEST_CASE("Sample rates from 8 to 192 kHz and any number of channels") {
  const Folder folder;
  for (int rate : {8000, 11025, 16000, 22050, 44100, 96000, 192000}) {
    CAPTURE(rate);
    write(folder / "r.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_24, rate, 1, sines(rate, 1, 500));
    auto reader = AudioReader::open(folder / "r.wav");
    REQUIRE(reader);
    CHECK(reader->sample_rate().value() == rate);
  }
  for (int channels : {1, 3, 6, 8, 65, 200}) {
    CAPTURE(channels);
    const auto sound = sines(8000, channels, 300);
    write(folder / "c.wav", SF_FORMAT_WAV | SF_FORMAT_FLOAT, 8000, channels, sound);
    auto reader = AudioReader::open(folder / "c.wav");
    REQUIRE(reader);
    CHECK(reader->channels() == channels);
    CHECK(read_all(*reader, 7) == sound);
  }
}

TEST_CASE("What phones make is read through ffmpeg") {
  if (!have_ffmpeg()) {
    MESSAGE("no ffmpeg here: not tested");
    return;
  }
  const Folder folder;
  const auto sound = sines(48000, 2, 96000);
  write(folder / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 2, sound);
  for (const std::string name : {"a.m4a", "a.mp4", "a.aac", "a.webm", "a.mkv", "a.wma"}) {
    CAPTURE(name);
    convert(folder / "a.wav", folder / name);
    auto reader = AudioReader::open(folder / name);
    REQUIRE(reader);
    CHECK(reader->channels() == 2);
    CHECK(reader->sample_rate().value() == 48000.0);
    CHECK_FALSE(reader->frames().has_value());
    const auto heard = read_all(*reader);
    CHECK_FALSE(reader->broke_off());
    CHECK(heard.size() / 2 > 93000);
    CHECK(heard.size() / 2 < 101000);
    double power = 0.0;
    for (float s : heard) power += static_cast<double>(s) * s;
    CHECK(std::sqrt(power / static_cast<double>(heard.size())) ==
          doctest::Approx(0.5 / std::numbers::sqrt2).epsilon(0.05));
    // An MP4 keeps its table of contents at the end; a pipe must do all the same.
    CHECK(through_pipe(bytes_of(folder / name)).sound == heard);
  }
}

TEST_CASE("A WAV with a codec that libsndfile does not know goes through ffmpeg") {
  if (!have_ffmpeg()) return;
  const Folder folder;
  write(folder / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 44100, 1, sines(44100, 1, 44100));
  convert(folder / "a.wav", folder / "odd.wav", "-c:a adpcm_swf");
  auto reader = AudioReader::open(folder / "odd.wav");
  REQUIRE(reader);
  CHECK_FALSE(reader->frames().has_value());
  CHECK(read_all(*reader).size() > 44000);
}

TEST_CASE("3GP is read through ffmpeg") {
  if (!have_ffmpeg()) return;
  const Folder folder;
  write(folder / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 44100, 1, sines(44100, 1, 44100));
  convert(folder / "a.wav", folder / "a.3gp", "-c:a aac");
  auto reader = AudioReader::open(folder / "a.3gp");
  REQUIRE(reader);
  CHECK(read_all(*reader).size() > 44000);
}

TEST_CASE("A reader that is let go early stops ffmpeg") {
  if (!have_ffmpeg()) return;
  const Folder folder;
  write(folder / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 2, sines(48000, 2, 960000));
  convert(folder / "a.wav", folder / "a.m4a");
  {
    auto reader = AudioReader::open(folder / "a.m4a");
    REQUIRE(reader);
    std::vector<float> block(200);
    CHECK(reader->read(block).value() == 100);
  }
  // No child is left, neither running nor waiting to be collected.
  CHECK(::waitpid(-1, nullptr, WNOHANG) == -1);
}

TEST_CASE("A WAV stream longer than what is held of a pipe, with sizes its writer never knew") {
  // 70 MiB of 16-bit mono behind a header that declares 0xFFFFFFFF bytes, as streaming writers do.
  const Folder folder;
  write(folder / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 1, {});
  std::string bytes = bytes_of(folder / "a.wav");
  REQUIRE(bytes.size() == 44);
  for (std::size_t at : {std::size_t{4}, std::size_t{40}}) bytes.replace(at, 4, 4, '\xff');
  const std::size_t samples = 35u << 20;
  for (std::size_t i = 0; i < samples; ++i) {
    const auto value = static_cast<std::uint16_t>(i * 7919u);
    bytes += static_cast<char>(value & 0xFFu);
    bytes += static_cast<char>(value >> 8u);
  }
  const Piped piped = through_pipe(bytes);
  CHECK_FALSE(piped.frames_known);
  REQUIRE(piped.sound.size() == samples);
  bool same = true;
  for (std::size_t i = 0; i < samples && same; ++i) {
    const auto value = static_cast<std::int16_t>(static_cast<std::uint16_t>(i * 7919u));
    same = piped.sound[i] == static_cast<float>(value) / 32768.0f;
  }
  CHECK(same);
}

TEST_CASE("A recording that breaks off is read as far as it goes") {
  const Folder folder;
  const auto sound = sines(48000, 1, 480000);
  for (const auto& [file, format] :
       {std::pair<std::string, int>{"a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16},
        std::pair<std::string, int>{"a.flac", SF_FORMAT_FLAC | SF_FORMAT_PCM_16},
        std::pair<std::string, int>{"a.ogg", SF_FORMAT_OGG | SF_FORMAT_VORBIS}}) {
    const std::string& name = file;  // clang 14 does not capture a binding
    CAPTURE(name);
    write(folder / name, format, 48000, 1, sound);
    fs::resize_file(folder / name, fs::file_size(folder / name) / 2);
    auto reader = AudioReader::open(folder / name);
    REQUIRE(reader);
    const auto heard = read_all(*reader);
    CHECK(heard.size() > 100000);
    CHECK(heard.size() < 480000);
  }
}

TEST_CASE("A WAV of format and samples alone needs no trial; anything else does") {
  const Folder folder;
  const std::string path = folder / "plain.wav";
  write(path, SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 2, sines(48000, 2, 100));
  std::ifstream file{path, std::ios::binary};
  const std::vector<char> plain{std::istreambuf_iterator<char>{file}, {}};
  const auto is_plain = [](const std::vector<char>& bytes) {
    return audio::is_plain_wav(audio::read_at(std::span<const char>{bytes}), static_cast<std::int64_t>(bytes.size()));
  };
  CHECK(is_plain(plain));
  // Every byte of the header counts, but for the rate and the bytes a second.
  for (std::size_t i = 0; i < 44; ++i) {
    if (i >= 24 && i < 32) continue;
    CAPTURE(i);
    std::vector<char> other = plain;
    other[i] = static_cast<char>(other[i] ^ 0x40);
    CHECK_FALSE(is_plain(other));
  }
  std::vector<char> longer = plain;
  longer.resize(longer.size() + 8);  // another chunk
  CHECK_FALSE(is_plain(longer));
  CHECK_FALSE(is_plain({plain.begin(), plain.end() - 4}));
  CHECK_FALSE(is_plain({plain.begin(), plain.begin() + 40}));
  const std::string floats = folder / "floats.wav";
  write(floats, SF_FORMAT_WAV | SF_FORMAT_FLOAT, 48000, 1, sines(48000, 1, 100));
  std::ifstream other{floats, std::ios::binary};
  CHECK_FALSE(is_plain({std::istreambuf_iterator<char>{other}, {}}));
}

TEST_CASE("A header that declares more than the file holds") {
  const Folder folder;
  write(folder / "a.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 1, sines(48000, 1, 4800));
  std::fstream file{folder / "a.wav", std::ios::binary | std::ios::in | std::ios::out};
  file.seekp(40);
  file.write("\xf0\xff\xff\x7f", 4);
  file.close();
  auto reader = AudioReader::open(folder / "a.wav");
  REQUIRE(reader);
  CHECK(read_all(*reader).size() == 4800);
}

TEST_CASE("What cannot be read is refused, by name and with a way on") {
  const Folder folder;
  const auto put = [&](const std::string& name, const std::string& bytes) {
    std::ofstream{folder / name, std::ios::binary} << bytes;
    return folder / name;
  };
  CHECK(refused(folder / "none.wav").code == ErrorCode::not_found);
  CHECK(refused(folder.path.string()).code == ErrorCode::unreadable);
  CHECK(refused(put("empty.wav", "")).code == ErrorCode::unreadable);
  CHECK(refused(put("text.wav", "Dear mechanic,\nplease find the recording enclosed.\n")).code ==
        ErrorCode::unsupported);
  CHECK(refused(put("riff.wav", "RIFF")).code == ErrorCode::unsupported);
  CHECK(refused(put("zeros", std::string(100000, '\0'))).code == ErrorCode::unsupported);
  write(folder / "silent.wav", SF_FORMAT_WAV | SF_FORMAT_PCM_16, 48000, 1, {});
  CHECK(refused(folder / "silent.wav").code == ErrorCode::unreadable);
  if (have_ffmpeg()) {
    const std::string fake = put("fake.m4a", std::string("\0\0\0\x18", 4) + "ftypM4A nothing");
    CHECK(refused(fake).code == ErrorCode::unreadable);
  }
  if (::geteuid() != 0) {
    const std::string locked = put("locked.wav", "RIFF");
    fs::permissions(locked, fs::perms::none);
    CHECK(refused(locked).code == ErrorCode::no_permission);
  }
}

TEST_CASE("Without ffmpeg a phone's recording is refused, and ffmpeg is named") {
  const Folder folder;
  std::ofstream{folder / "a.m4a", std::ios::binary} << std::string("\0\0\0\x18", 4) << "ftypM4A ";
  const std::string path = std::getenv("PATH");
  ::setenv("PATH", "/nonexistent", 1);
  const Error error = refused(folder / "a.m4a");
  ::setenv("PATH", path.c_str(), 1);
  CHECK(error.code == ErrorCode::unsupported);
  CHECK(error.what.find("ffmpeg") != std::string::npos);
  CHECK(error.hint.find("apt-get install ffmpeg") != std::string::npos);
}
