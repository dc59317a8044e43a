#include "audio/take_writer.hpp"

#include <doctest/doctest.h>
#include <signal.h>
#include <sndfile.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "audio/sample_queue.hpp"

using namespace pipebeat;
using audio::TakeWriter;
namespace fs = std::filesystem;

namespace {

/// A folder that is gone at the end of the test.
struct Folder {
  fs::path path;
  Folder() {
    std::string pattern = (fs::temp_directory_path() / "pipebeat-take-XXXXXX").string();
    REQUIRE(::mkdtemp(pattern.data()) != nullptr);
    path = pattern;
  }
  ~Folder() { fs::remove_all(path); }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  [[nodiscard]] std::string operator/(const std::string& name) const { return path / name; }
};

/// Sample i is i/65536: every float of it exact, every place recognisable.
std::vector<float> ramp(std::size_t from, std::size_t count) {
  std::vector<float> x(count);
  for (std::size_t i = 0; i < count; ++i) x[i] = static_cast<float>(from + i) / 65536.0F;
  return x;
}

struct Contents {
  SF_INFO info{};
  std::vector<float> sound;
  std::vector<std::pair<std::uint32_t, std::string>> cues;
};

/// As libsndfile reads it: an independent reader of the format.
Contents read(const std::string& path) {
  Contents c;
  SNDFILE* file = sf_open(path.c_str(), SFM_READ, &c.info);
  REQUIRE_MESSAGE(file != nullptr, sf_strerror(nullptr));
  c.sound.resize(static_cast<std::size_t>(c.info.frames));
  CHECK(sf_readf_float(file, c.sound.data(), c.info.frames) == c.info.frames);
  SF_CUES cues{};
  if (sf_command(file, SFC_GET_CUE, &cues, sizeof cues) == SF_TRUE) {
    for (std::uint32_t i = 0; i < cues.cue_count; ++i) {
      c.cues.emplace_back(cues.cue_points[i].sample_offset, cues.cue_points[i].name);
    }
  }
  sf_close(file);
  return c;
}

std::string text_of(const std::string& path) {
  std::ifstream in{path};
  return {std::istreambuf_iterator<char>{in}, {}};
}

}  // namespace

TEST_CASE("A take is playable after every write, before anybody closes it") {
  const Folder folder;
  const std::string path = folder / "take.wav";
  auto writer = TakeWriter::create(path, Hertz{48000.0});
  REQUIRE(writer);
  CHECK(read(path).info.frames == 0);
  std::size_t done = 0;
  for (const std::size_t count : {1UL, 7UL, 4096UL, 300UL}) {
    REQUIRE(writer->write(ramp(done, count)));
    done += count;
    const Contents now = read(path);
    CHECK(now.info.samplerate == 48000);
    CHECK(now.info.channels == 1);
    CHECK(now.info.format == (SF_FORMAT_WAV | SF_FORMAT_FLOAT));
    CHECK(now.sound == ramp(0, done));
  }
}

TEST_CASE("Marks stand beside the take until it is closed, then become cue points in it") {
  const Folder folder;
  const std::string path = folder / "take.wav";
  auto writer = TakeWriter::create(path, Hertz{1000.0});
  REQUIRE(writer);
  REQUIRE(writer->write(ramp(0, 1500)));
  CHECK_FALSE(fs::exists(path + ".marks"));
  REQUIRE(writer->mark("off 3"));
  CHECK(text_of(path + ".marks") == "1.500\toff 3\n");
  REQUIRE(writer->write(ramp(1500, 600)));
  REQUIRE(writer->mark("on"));
  CHECK(text_of(path + ".marks") == "1.500\toff 3\n2.100\ton\n");
  REQUIRE(writer->close());
  CHECK_FALSE(fs::exists(path + ".marks"));
  const Contents now = read(path);
  CHECK(now.sound == ramp(0, 2100));
  using Cues = std::vector<std::pair<std::uint32_t, std::string>>;
  CHECK(now.cues == Cues{{1500, "off 3"}, {2100, "on"}});
}

TEST_CASE("A take never overwrites a file, and says why it can't be made") {
  const Folder folder;
  std::ofstream{folder / "there.wav"} << "precious";
  const auto there = TakeWriter::create(folder / "there.wav", Hertz{48000.0});
  REQUIRE_FALSE(there);
  CHECK(there.error().code == ErrorCode::bad_argument);
  CHECK(text_of(folder / "there.wav") == "precious");
  const auto nowhere = TakeWriter::create(folder / "none/take.wav", Hertz{48000.0});
  REQUIRE_FALSE(nowhere);
  CHECK(nowhere.error().code == ErrorCode::not_found);
}

TEST_CASE("A limit on the file's size: an error, and everything before it is kept") {
  const Folder folder;
  const std::string path = folder / "take.wav";
  // In a process of its own: limits can't be raised again.
  const pid_t child = ::fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    ::signal(SIGXFSZ, SIG_IGN);
    const rlimit limit{40'001, 40'001};
    ::setrlimit(RLIMIT_FSIZE, &limit);
    auto writer = TakeWriter::create(path, Hertz{8000.0});
    if (!writer) ::_exit(1);
    static_cast<void>(writer->mark("off 2").has_value());
    std::size_t done = 0;
    for (int i = 0; i < 20; ++i) {
      const auto kept = writer->write(ramp(done, 1000));
      done += 1000;
      if (kept) continue;
      const bool named = kept.error().code == ErrorCode::write_failed &&
                         kept.error().what.find("limit") != std::string::npos;
      ::_exit(named && !writer->write(ramp(0, 10)) && !writer->close() ? 0 : 2);
    }
    ::_exit(3);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  CHECK(WIFEXITED(status));
  CHECK(WEXITSTATUS(status) == 0);
  const Contents now = read(path);
  CHECK(now.sound.size() == (40'001 - audio::take_header_size) / 4);
  CHECK(now.sound == ramp(0, now.sound.size()));
  CHECK(text_of(path + ".marks") == "0.000\toff 2\n");
}

TEST_CASE("Past 4 GiB the header is RF64's, in the same place") {
  // EBU Tech 3306: "RF64", the sizes in ds64, 0xFFFFFFFF where they stood before. The file is a
  // hole but for its header and its end.
  const Folder folder;
  constexpr std::uint64_t frames = 1'100'002'000;
  const std::string header = audio::take_header(192000, frames, 0);
  CHECK(header.size() == audio::take_header_size);
  CHECK(header.substr(0, 4) == "RF64");
  CHECK(header.substr(12, 4) == "ds64");
  CHECK(audio::take_header(192000, 1'000'000, 0).size() == audio::take_header_size);
  const std::string path = folder / "long.wav";
  const std::vector<float> last = ramp(100, 1000);
  {
    std::ofstream out{path, std::ios::binary};
    out << header;
    out.seekp(static_cast<std::streamoff>(audio::take_header_size + (frames - last.size()) * 4));
    out.write(reinterpret_cast<const char*>(last.data()), 4000);
  }
  SF_INFO info{};
  SNDFILE* file = sf_open(path.c_str(), SFM_READ, &info);
  REQUIRE(file != nullptr);
  CHECK((info.format & SF_FORMAT_TYPEMASK) == SF_FORMAT_RF64);
  CHECK(info.frames == frames);
  std::vector<float> got(1000);
  CHECK(sf_seek(file, static_cast<sf_count_t>(frames - 1000), SEEK_SET) >= 0);
  CHECK(sf_readf_float(file, got.data(), 1000) == 1000);
  CHECK(got == last);
  sf_close(file);
}

TEST_CASE("The queue keeps order, and counts what it has to drop") {
  audio::SampleQueue queue{1000};
  queue.push(ramp(0, 700));
  CHECK(queue.waiting() == 700);
  queue.push(ramp(700, 400));
  CHECK(queue.dropped() == 100);
  std::vector<float> out(2000);
  CHECK(queue.pop(out) == 1000);
  out.resize(1000);
  CHECK(out == ramp(0, 1000));
  CHECK(queue.pop(out) == 0);
}
