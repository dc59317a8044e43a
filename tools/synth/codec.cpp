// Lossy coding by the real coders: ffmpeg out, ffmpeg back, no shell between.
#include <spawn.h>
#include <sys/wait.h>
#include <unistd.h>

#include <sndfile.h>
#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <stdexcept>

#include "render.hpp"

extern char** environ;

namespace pipebeat::synth {

namespace {

/// A directory of its own that goes when the scene is done.
class WorkDirectory {
 public:
  WorkDirectory() {
    std::string pattern =
        (std::filesystem::temp_directory_path() / "pipebeat-synth-XXXXXX").string();
    if (mkdtemp(pattern.data()) == nullptr)
      throw std::runtime_error("no room for temporary files in " + pattern);
    path_ = pattern;
  }
  ~WorkDirectory() {
    std::error_code ignored;
    std::filesystem::remove_all(path_, ignored);
  }
  WorkDirectory(const WorkDirectory&) = delete;
  WorkDirectory& operator=(const WorkDirectory&) = delete;
  [[nodiscard]] std::string file(const std::string& name) const { return (path_ / name).string(); }

 private:
  std::filesystem::path path_;
};

void run_ffmpeg(std::vector<std::string> arguments) {
  arguments.insert(arguments.begin(), {"ffmpeg", "-nostdin", "-loglevel", "error", "-y"});
  std::vector<char*> argv;
  for (std::string& a : arguments) argv.push_back(a.data());
  argv.push_back(nullptr);
  pid_t child = 0;
  if (posix_spawnp(&child, "ffmpeg", nullptr, nullptr, argv.data(), environ) != 0) {
    throw std::runtime_error("ffmpeg does not start; lossy scenes need it (install ffmpeg)");
  }
  int status = 0;
  if (waitpid(child, &status, 0) != child || !WIFEXITED(status) || WEXITSTATUS(status) != 0) {
    throw std::runtime_error("ffmpeg could not code the scene with " + arguments.back());
  }
}

}  // namespace

Signal through_codec(const Signal& x, int rate_hz, const std::string& codec, int kbps) {
  const WorkDirectory work;
  const std::string plain = work.file("plain.wav");
  const std::string coded = work.file(codec == "mp3"   ? "coded.mp3"
                                      : codec == "aac" ? "coded.m4a"
                                                       : "coded.opus");
  const std::string back = work.file("back.wav");
  Recording in;
  in.samples = x;
  in.rate_hz = rate_hz;
  for (double& v : in.samples) v = std::clamp(v, -1.0, 32767.0 / 32768.0);
  write_audio(plain, in);
  const std::string coder = codec == "mp3" ? "libmp3lame" : codec == "aac" ? "aac" : "libopus";
  run_ffmpeg({"-i", plain, "-c:a", coder, "-b:a", std::to_string(kbps) + "k", "-bitexact", coded});
  run_ffmpeg({"-i", coded, "-ar", std::to_string(rate_hz), "-ac", "1", "-c:a", "pcm_s16le",
              "-bitexact", back});
  SF_INFO info{};
  SNDFILE* file = sf_open(back.c_str(), SFM_READ, &info);
  if (file == nullptr) throw std::runtime_error("ffmpeg's answer cannot be read");
  Signal y(static_cast<std::size_t>(info.frames));
  const sf_count_t got = sf_readf_double(file, y.data(), info.frames);
  sf_close(file);
  y.resize(static_cast<std::size_t>(std::max<sf_count_t>(0, got)));
  y.resize(x.size(), 0.0);
  return y;
}

}  // namespace pipebeat::synth
